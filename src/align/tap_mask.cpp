#include "align/tap_mask.hpp"

#include <cstring>

#include "align/kernel_weights.hpp"

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
  double total = 0.0;
  double per_bit[8] = {};
  for (int j = 0; j < rows; ++j) {
    const int y = y0 + j;
    if (y < 0 || y >= mask.height()) continue;
    for (int k = 0; k < columns; ++k) {
      const int x = x0 + k;
      if (x < 0 || x >= mask.width()) continue;
      const double weight = static_cast<double>(wx[k]) * static_cast<double>(wy[j]);
      const double squared = weight * weight;
      total += squared;
      const unsigned bits = mask(x, y);
      if (bits == 0) continue;
      for (unsigned b = 0; b < 8; ++b) {
        if ((bits >> b & 1U) != 0) per_bit[b] += squared;
      }
    }
  }
  unsigned result = 0;
  for (unsigned b = 0; b < 8; ++b) {
    if (per_bit[b] > share * total) result |= 1U << b;
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
