#include "filled_plane.hpp"

#include <cmath>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::view {

Grid<float> filled_plane(PlaneView<const float> plane) {
  Grid<float> copy(plane.size());
  std::vector<double> some;
  bool holes = false;
  for (int y = 0; y < plane.height(); ++y) {
    const auto from = plane.row(y);
    const auto to = copy.row(y);
    for (std::size_t x = 0; x < from.size(); ++x) {
      to[x] = from[x];
      if (!std::isfinite(from[x])) {
        holes = true;
      } else if ((x + static_cast<std::size_t>(y) * 7) % 31 == 0) {
        some.push_back(static_cast<double>(from[x]));
      }
    }
  }
  if (!holes) return copy;
  const auto level = static_cast<float>(some.empty() ? 0.0 : median_in_place(some));
  for (int y = 0; y < plane.height(); ++y) {
    for (float& value : copy.row(y)) {
      if (!std::isfinite(value)) value = level;
    }
  }
  return copy;
}

}  // namespace coldframe::view
