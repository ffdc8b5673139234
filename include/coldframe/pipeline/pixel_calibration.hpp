/// \file
/// Masters made ready for calibrated files alone.
#pragma once

#include "coldframe/pipeline/calibration.hpp"

namespace coldframe::pipeline {

/// As `prepare_calibration`, without the means over blocks (`inverse_flat`, `subtract_variance`,
/// `flat_variance`), which only weighing and combining ask for. The variance of the flat is read
/// only with `keep_variance`.
[[nodiscard]] Calibration prepare_pixel_calibration(const CalibrationInputs& inputs,
                                                    Threads threads);

}  // namespace coldframe::pipeline
