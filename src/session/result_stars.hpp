// Stars of a result, measured like those of a sub.
#pragma once

#include "coldframe/core/parallel.hpp"
#include "coldframe/stars/measure.hpp"

namespace coldframe::session {

/// Pixels that are not numbers count as outside.
[[nodiscard]] stars::FrameMeasurement measure_result(Grid<float> image, Mask flags,
                                                     double electrons_per_unit, Threads threads,
                                                     double threshold_sigma = 5.0);

}  // namespace coldframe::session
