// One sub's normalised samples for a tile of a drizzled result, outliers marked.
#pragma once

#include <cstdint>
#include <vector>

#include "coldframe/pipeline/drizzle_pass.hpp"

namespace coldframe::pipeline {

struct SubSamples {
  Rect region;
  Grid<float> values;    ///< scale and sky of the result, light per sub pixel
  Grid<float> variance;  ///< predicted
  Mask mask;
  Mask verdict;  ///< 1: left out for being low, 2: for being high
  std::uint64_t used = 0;
  std::uint64_t left_out = 0;
};

/// Samples of `plane` (mono, or colour files) or of the whole mosaic whose drops can touch `tile`;
/// an empty region when there are none.
[[nodiscard]] SubSamples drizzle_samples(const CombineSub& sub, const DrizzleSettings& settings,
                                         const Rect& tile, int plane);

}  // namespace coldframe::pipeline
