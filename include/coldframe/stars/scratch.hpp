/// \file
/// Memory that measuring frame after frame uses again: fresh pages cost as much time as the pixels'
/// arithmetic.
#pragma once

#include "coldframe/stars/measure.hpp"

namespace coldframe::stars {

struct MeasureScratch {
  Grid<float> filtered;  ///< what it holds is of no matter
};

/// As `measure_frame` without scratch, with the same results.
[[nodiscard]] FrameMeasurement measure_frame(PlaneView<const float> image,
                                             PlaneView<const std::uint8_t> mask,
                                             const MeasureOptions& options, Threads threads,
                                             MeasureScratch& scratch);

}  // namespace coldframe::stars
