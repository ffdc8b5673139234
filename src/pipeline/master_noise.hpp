// What the masters add to the noise of a calibrated frame.
#pragma once

#include "coldframe/pipeline/calibration.hpp"

namespace coldframe::pipeline {

/// Below this a pixel of a flat sees too little to be divided.
inline constexpr float least_flat = 0.02F;

/// Fills `Calibration::noise` where `keep_variance` asks for it, and the usual pixel's variance.
void fill_noise_planes(const CalibrationInputs& in, Calibration& out, Threads threads);

/// Fills the variances over blocks of `out`; its defects must be known.
void fill_noise_blocks(const CalibrationInputs& in, Calibration& out, Threads threads);

}  // namespace coldframe::pipeline
