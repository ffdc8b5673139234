// A copy of a plane without holes, for filters that look at neighbours.
#pragma once

#include "coldframe/core/image.hpp"

namespace coldframe::view {

/// Pixels that are no number get the median of those that are one (0 when there is none).
[[nodiscard]] Grid<float> filled_plane(PlaneView<const float> plane);

}  // namespace coldframe::view
