/// \file
/// The second look at the neighbours of defects: members of a cluster hide each other from a
/// small median.
#pragma once

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::sensor {

struct GrowthLimits {
  float absolute = 0.0F;  ///< least deviation, in the plane's unit
  float relative = 0.0F;  ///< of the reference
  int step = 1;           ///< distance of neighbours of one colour
};

/// Marks pixels of `plane` near marked ones that deviate from the median of the unmarked pixels of
/// their colour within three steps; again and again until nothing is added, so that
/// clusters of up to about five by five are taken whole. Returns how many were added.
std::int64_t grow_clusters(PlaneView<const float> plane, const GrowthLimits& limits,
                           PlaneView<std::uint8_t> mask, Threads threads);

}  // namespace coldframe::sensor
