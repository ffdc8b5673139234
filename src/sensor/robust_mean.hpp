/// \file
/// Mean and variance with outliers left out, for samples that may be coarse integers.
#pragma once

#include <cstddef>
#include <span>

namespace coldframe::sensor {

struct RobustMoments {
  double mean = 0.0;
  double variance = 0.0;  ///< denominator count - 1; 0 for fewer than 2
  std::size_t count = 0;  ///< survivors
};

/// Clipped at `kappa` standard deviations about the median. The first scale is the larger of MAD
/// and of the central 80%: a MAD of integers can be 0 or twice the truth. Reorders `values`,
/// which must be finite.
[[nodiscard]] RobustMoments robust_moments_in_place(std::span<float> values, double kappa = 5.0);

}  // namespace coldframe::sensor
