/// \file
/// Median of a plane from an even sample of its pixels.
#pragma once

#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// Of about 10^5 evenly spread finite values; 0 when there is none.
[[nodiscard]] double sampled_median(PlaneView<const float> plane);

}  // namespace coldframe::sensor
