// What the masters add to the noise of a calibrated frame.
#pragma once

#include "coldframe/pipeline/calibration.hpp"

namespace coldframe::pipeline {

/// Below this a pixel of a flat sees too little to be divided.
inline constexpr float least_flat = 0.02F;

/// Fills the variances of `out`; its defects must be known.
void fill_master_noise(const CalibrationInputs& in, Calibration& out, Threads threads);

}  // namespace coldframe::pipeline
