/// \file
/// Standard deviation of calibrated pixels: photons, read-out and dark current of the frame itself,
/// and the noise of its masters.
#pragma once

#include "coldframe/pipeline/calibration.hpp"

namespace coldframe::pipeline {

/// As `read_calibrated`, and writes to `error` (size of `rect`) the standard deviation of every
/// value, in its unit:
///   error^2 = m^2 (D + S / g + B) + value^2 F
/// with m = gain / flat, D the variance of one dark frame in this pixel, S the signal above the
/// dark in ADU, g the gain (1 when unknown), B the variance of the subtracted master and F the
/// relative variance of the flat. S is the mean of the 3 x 3 pixels of the same colour where the
/// pixel agrees with it within 3 standard deviations, else the pixel itself: a variance from the
/// pixel's own counts goes with its noise and would make low values look too certain. `calibration`
/// should have been prepared with `keep_variance`.
void read_calibrated_with_error(const PixelSource& raw, const Calibration& calibration,
                                const Rect& rect, PlaneView<float> values,
                                PlaneView<std::uint8_t> mask, PlaneView<float> error,
                                int plane = 0);

}  // namespace coldframe::pipeline
