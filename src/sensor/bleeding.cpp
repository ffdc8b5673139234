#include "coldframe/sensor/bleeding.hpp"

#include <utility>
#include <vector>

#include "sensor/local_median.hpp"

namespace coldframe::sensor {
namespace {

constexpr float narrow = 0.5F;  // a star of FWHM 2 px: 0.50 beside its core, and wider ones more

bool full(PlaneView<const std::uint8_t> mask, int x, int y) {
  return y >= 0 && y < mask.height() && (mask(x, y) & mask_bit::saturated) != 0;
}

bool narrow_in_row(PlaneView<const float> values, int x, int y, int step) {
  const float limit = narrow * values(x, y);
  const bool left = x < step || values(x - step, y) < limit;
  const bool right = x + step >= values.width() || values(x + step, y) < limit;
  return left && right;
}

}  // namespace

void mark_bleed_ends(PlaneView<const float> values, CfaPattern cfa, float least,
                     PlaneView<std::uint8_t> mask) {
  const int step = colour_step(cfa);
  std::vector<std::pair<int, int>> ends;  // marked afterwards: an end is not the start of another
  for (int y = 0; y < mask.height(); ++y) {
    for (int x = 0; x < mask.width(); ++x) {
      if (!full(mask, x, y)) continue;
      for (const int away : {-1, 1}) {
        const int end = y + away;
        if (end < 0 || end >= mask.height() || full(mask, x, end)) continue;
        if (!full(mask, x, y - away)) continue;
        if (values(x, end) > least && narrow_in_row(values, x, end, step))
          ends.emplace_back(x, end);
      }
    }
  }
  for (const auto& [x, y] : ends) {
    mask(x, y) = static_cast<std::uint8_t>(mask(x, y) | mask_bit::saturated);
  }
}

}  // namespace coldframe::sensor
