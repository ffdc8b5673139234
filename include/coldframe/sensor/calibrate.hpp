/// \file
/// The arithmetic of calibration, by rows.
///
/// calibrated = (raw - subtract) * multiply, with subtract = dark (bias in it once) or bias +
/// scaled dark rate, in ADU, and multiply = gain / flat. Flags: saturated where raw
/// >= saturation, defect from the map, not_finite.
#pragma once

#include "coldframe/core/image.hpp"
#include "coldframe/sensor/demosaic.hpp"

namespace coldframe::sensor {

/// Whole-frame planes prepared once per set of masters. Views may be empty (0 x 0): no dark, no
/// flat, no defects.
struct CalibrationPlanes {
  PlaneView<const float> subtract;        ///< ADU
  PlaneView<const float> multiply;        ///< gain/flat, or 1/flat without a gain
  PlaneView<const std::uint8_t> defects;  ///< mask bits
  float constant_subtract = 0.0F;         ///< used when `subtract` is empty (e.g. -PEDESTAL)
  float constant_multiply = 1.0F;         ///< used when `multiply` is empty (the gain)
  float saturation_adu = 65535.0F;
};

/// Calibrates `raw`, which holds the pixels of `rect` of the frame, in place,
/// and writes the mask. Bits are the same for any band division and any instruction set.
void calibrate_band(PlaneView<float> raw, const Rect& rect, const CalibrationPlanes& planes,
                    PlaneView<std::uint8_t> mask);

}  // namespace coldframe::sensor
