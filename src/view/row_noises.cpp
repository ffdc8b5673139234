#include "row_noises.hpp"

#include <algorithm>
#include <cmath>
#include <iterator>

#include "coldframe/core/statistics.hpp"

namespace coldframe::view {

std::vector<double> row_noises(PlaneView<const float> plane, int rows) {
  std::vector<double> noises;
  std::vector<float> row;
  const int step = std::max(plane.height() / rows, 1);
  for (int y = step / 2; y < plane.height(); y += step) {
    row.clear();
    std::ranges::copy_if(plane.row(y), std::back_inserter(row),
                         [](float v) { return std::isfinite(v); });
    const double estimate = noise_from_differences(row);
    if (std::isfinite(estimate)) noises.push_back(estimate);
  }
  return noises;
}

}  // namespace coldframe::view
