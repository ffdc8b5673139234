// Standard deviations of one row of calibrated pixels. The scalar version defines the result.
#pragma once

#include <cstddef>
#include <cstdint>

namespace coldframe::pipeline::detail {

/// out[x] = (v[x - step] + v[x]) + v[x + step] over the pixels that hold a number and lie in the
/// row, and how many they are.
void sum_neighbours(const float* values, const std::uint8_t* mask, std::size_t count, int step,
                    float* sums, float* counts) noexcept;

/// What one row's errors are made of; null planes: the constant, or nothing.
struct ErrorRow {
  const float* values = nullptr;
  const float* multiply = nullptr;  ///< gain / flat
  const float* dark = nullptr;      ///< variance of one dark frame, ADU^2
  const float* subtract = nullptr;  ///< variance of the subtracted master, ADU^2
  const float* flat = nullptr;      ///< relative variance of the flat
  float constant_multiply = 1.0F;
  float constant_dark = 0.0F;
  float adu_per_e = 1.0F;
  /// Sums and counts of the rows below, here and above (`sum_neighbours`).
  const float* sums[3] = {};
  const float* counts[3] = {};
};

void error_row_scalar(const ErrorRow& row, float* out, std::size_t count) noexcept;
/// The same by the best instruction set at hand.
void error_row(const ErrorRow& row, float* out, std::size_t count) noexcept;

}  // namespace coldframe::pipeline::detail
