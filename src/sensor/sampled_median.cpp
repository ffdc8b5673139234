#include "sensor/sampled_median.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {

double sampled_median(PlaneView<const float> plane) {
  const std::int64_t count = plane.size().count();
  // Odd, so that all colours of a mosaic are met.
  const std::int64_t stride = std::max<std::int64_t>(count / 100000, 1) | 1;
  std::vector<float> values;
  for (std::int64_t i = 0; i < count; i += stride) {
    const float value =
        plane(static_cast<int>(i % plane.width()), static_cast<int>(i / plane.width()));
    if (std::isfinite(value)) values.push_back(value);
  }
  return values.empty() ? 0.0 : static_cast<double>(median_in_place(std::span<float>(values)));
}

}  // namespace coldframe::sensor
