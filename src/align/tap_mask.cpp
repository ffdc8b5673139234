#include "align/tap_mask.hpp"

#include <algorithm>
#include <cstring>

#include "coldframe/align/kernel_weights.hpp"

namespace coldframe::align {
namespace {

bool any_set(PlaneView<const std::uint8_t> mask) noexcept {
  for (int y = 0; y < mask.height(); ++y) {
    unsigned bits = 0;
    for (const std::uint8_t element : mask.row(y)) bits |= element;
    if (bits != 0) return true;
  }
  return false;
}

constexpr double saturated_share = 1e-5;  // a weight of 0.003

// out[x] = OR of in[x] ... in[x + 5], cut at the row's end.
void widen_row(const std::uint8_t* in, std::uint8_t* out, int width) noexcept {
  const int full = width - (tap_count - 1);
  for (int x = 0; x < full; ++x) {
    out[x] = static_cast<std::uint8_t>((in[x] | in[x + 1] | in[x + 2]) |
                                       (in[x + 3] | in[x + 4] | in[x + 5]));
  }
  for (int x = full > 0 ? full : 0; x < width; ++x) {
    unsigned bits = 0;
    for (int k = x; k < width; ++k) bits |= in[k];
    out[x] = static_cast<std::uint8_t>(bits);
  }
}

}  // namespace

std::uint8_t weighted_mask(PlaneView<const std::uint8_t> mask, int x0, int y0, const float* wx,
                           int columns, const float* wy, int rows, double share) noexcept {
  const int k0 = x0 < 0 ? -x0 : 0, k1 = std::min(columns, mask.width() - x0);
  const int j0 = y0 < 0 ? -y0 : 0, j1 = std::min(rows, mask.height() - y0);
  double squares_x = 0.0, squares_y = 0.0;
  for (int k = k0; k < k1; ++k)
    squares_x += static_cast<double>(wx[k]) * static_cast<double>(wx[k]);
  for (int j = j0; j < j1; ++j)
    squares_y += static_cast<double>(wy[j]) * static_cast<double>(wy[j]);
  const double total = squares_x * squares_y;
  double per_bit[8] = {};
  double full = 0.0;  // by saturated pixels that were not repaired
  for (int j = j0; j < j1; ++j) {
    const std::uint8_t* row = mask.row(y0 + j).data() + x0;
    for (int k = k0; k < k1; ++k) {
      if (row[k] == 0) continue;
      const double weight = static_cast<double>(wx[k]) * static_cast<double>(wy[j]);
      constexpr std::uint8_t either = mask_bit::saturated | mask_bit::defect;
      if ((row[k] & either) == mask_bit::saturated) full += weight * weight;
      for (unsigned b = 0; b < 8; ++b) {
        if ((static_cast<unsigned>(row[k]) >> b & 1U) != 0) per_bit[b] += weight * weight;
      }
    }
  }
  unsigned result = 0;
  for (unsigned b = 0; b < 8; ++b) {
    if (per_bit[b] > share * total) result |= 1U << b;
  }
  // The true light of a saturated pixel may be many times what was recorded: what even a faint lobe
  // brings in of it is wrong, and only where it carries most of the weight the value is a lower
  // limit.
  if (full > saturated_share * total && full <= 0.5 * total) {
    result |= mask_bit::saturated | mask_bit::defect;
  }
  return static_cast<std::uint8_t>(result);
}

MaskSummary::MaskSummary(PlaneView<const std::uint8_t> mask) {
  if (!any_set(mask)) return;
  const int width = mask.width(), height = mask.height();
  Grid<std::uint8_t> across(width, height);
  for (int y = 0; y < height; ++y) {
    widen_row(mask.row(y).data(), across.row(y).data(), width);
  }
  any_ = Grid<std::uint8_t>(width, height);
  for (int y = 0; y < height; ++y) {
    std::uint8_t* out = any_.row(y).data();
    std::memcpy(out, across.row(y).data(), static_cast<std::size_t>(width));
    for (int j = 1; j < tap_count && y + j < height; ++j) {
      const std::uint8_t* in = across.row(y + j).data();
      for (int x = 0; x < width; ++x) out[x] = static_cast<std::uint8_t>(out[x] | in[x]);
    }
  }
}

}  // namespace coldframe::align
