/// \file
/// One row of calibration arithmetic. The scalar function defines the result; the
/// vector one gives the same bits on every instruction set.
#pragma once

#include <cstddef>
#include <cstdint>

namespace coldframe::sensor {

/// Inputs of one row; null pointers fall back on the constants.
struct CalibrationRow {
  const float* subtract = nullptr;
  const float* multiply = nullptr;
  const std::uint8_t* defects = nullptr;
  float constant_subtract = 0.0F;
  float constant_multiply = 1.0F;
  float saturation = 65535.0F;
};

/// values[i] = (values[i] - subtract) * multiply. Saturated where the raw value is at or
/// above the limit; what is not finite becomes 0 and gets the bit.
void calibrate_row_scalar(const CalibrationRow& row, float* values, std::uint8_t* mask,
                          std::size_t count) noexcept;

/// The same with the best instruction set of this machine.
void calibrate_row(const CalibrationRow& row, float* values, std::uint8_t* mask,
                   std::size_t count) noexcept;

}  // namespace coldframe::sensor
