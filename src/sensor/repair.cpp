#include <algorithm>
#include <array>
#include <cstring>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/sensor/defects.hpp"

namespace coldframe::sensor {
namespace {

/// What a repair reads.
struct Neighbourhood {
  PlaneView<const float> values;
  PlaneView<const std::uint8_t> mask;
  std::uint8_t barred;
  CfaPattern cfa;
  int origin_x;
  int origin_y;
  int margin;
};

constexpr std::size_t most_neighbours = 80;
/// Fewer good neighbours than this in the inner ring: look further out.
constexpr std::size_t enough = 3;

/// Adds the good same-colour pixels at Chebyshev distance `ring`.
void gather_ring(const Neighbourhood& area, int x, int y, int ring,
                 std::array<float, most_neighbours>& found, std::size_t& count) {
  const int colour = cfa_colour(area.cfa, x + area.origin_x, y + area.origin_y);
  for (int dy = -ring; dy <= ring; ++dy) {
    const int step = dy == -ring || dy == ring ? 1 : 2 * ring;
    for (int dx = -ring; dx <= ring; dx += step) {
      const int u = x + dx;
      const int v = y + dy;
      if (u < 0 || v < 0 || u >= area.values.width() || v >= area.values.height()) continue;
      if (cfa_colour(area.cfa, u + area.origin_x, v + area.origin_y) != colour) continue;
      if ((area.mask(u, v) & area.barred) != 0) continue;
      found[count++] = area.values(u, v);
    }
  }
}

/// Median of the nearest good neighbours; false when there is none within the margin.
bool repaired_value(const Neighbourhood& area, int x, int y, float& value) {
  std::array<float, most_neighbours> found{};
  std::size_t count = 0;
  for (int ring = 1; ring <= area.margin && count < enough; ++ring) {
    gather_ring(area, x, y, ring, found, count);
  }
  if (count == 0) return false;
  value = median_in_place(std::span<float>(found.data(), count));
  return true;
}

/// Whether any of `bits` is set among eight mask bytes.
bool any_of_eight(const std::uint8_t* mask, std::uint8_t bits) {
  std::uint64_t word = 0;
  std::memcpy(&word, mask, sizeof word);
  return (word & (0x0101010101010101ULL * bits)) != 0;
}

}  // namespace

void repair_in_place(PlaneView<float> values, PlaneView<std::uint8_t> mask, std::uint8_t bits,
                     CfaPattern cfa, int origin_x, int origin_y) {
  if (values.size() != mask.size()) {
    throw Error(ErrorKind::usage, "", "values and mask of a repair differ in size", "");
  }
  const auto barred = static_cast<std::uint8_t>(bits | mask_bit::not_finite | mask_bit::outside);
  const Neighbourhood area{values, mask, barred, cfa, origin_x, origin_y, repair_margin(cfa)};
  const int width = values.width();
  for (int y = 0; y < values.height(); ++y) {
    const auto row = mask.row(y);
    for (int x = 0; x < width; ++x) {
      const auto i = static_cast<std::size_t>(x);
      if (x + 8 <= width && !any_of_eight(row.data() + i, bits)) {
        x += 7;
        continue;
      }
      if ((row[i] & bits) == 0) continue;
      float value = 0.0F;
      // What is written here is read by nobody: a pixel with `bits` is no good neighbour.
      if (!repaired_value(area, x, y, value)) row[i] |= mask_bit::not_finite;
      values(x, y) = value;
    }
  }
}

void repair(PlaneView<const float> values, PlaneView<std::uint8_t> mask, std::uint8_t bits,
            CfaPattern cfa, int origin_x, int origin_y, PlaneView<float> out) {
  if (values.size() != mask.size() || values.size() != out.size()) {
    throw Error(ErrorKind::usage, "", "values, mask and result of a repair differ in size", "");
  }
  for (int y = 0; y < values.height(); ++y) {
    std::copy(values.row(y).begin(), values.row(y).end(), out.row(y).begin());
  }
  repair_in_place(out, mask, bits, cfa, origin_x, origin_y);
}

}  // namespace coldframe::sensor
