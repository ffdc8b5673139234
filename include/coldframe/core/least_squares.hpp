/// \file
/// Linear and non-linear least squares on plain spans (Eigen stays in the source file).
#pragma once

#include <cstddef>
#include <functional>
#include <span>
#include <vector>

namespace coldframe {

enum class FitStatus {
  converged,        ///< gradient or step below tolerance: the result is a minimum
  iteration_limit,  ///< still moving: usable with care
  singular,         ///< the data do not fix all parameters: result not usable
  not_finite        ///< a residual became NaN or infinite: result not usable
};

struct LevenbergMarquardtOptions {
  int max_iterations = 200;
  double gradient_tolerance = 1e-12;  ///< relative cosine between residual and columns
  double step_tolerance = 1e-12;      ///< relative change of the parameters
  double cost_tolerance = 1e-16;      ///< relative change of the sum of squares
  double initial_damping = 1e-3;
};

struct FitReport {
  FitStatus status = FitStatus::singular;
  int iterations = 0;
  double sum_of_squares = 0.0;
  /// (J^T J)^-1, row-major n x n; multiply by the residual variance when the
  /// residuals are not already in units of their own standard error.
  std::vector<double> covariance;
};

/// Residuals and, when `jacobian` is not empty, their derivatives row-major
/// (residual i, parameter j at [i*n + j]).
using ResidualFunction = std::function<void(
    std::span<const double> parameters, std::span<double> residuals, std::span<double> jacobian)>;

/// Levenberg-Marquardt with Marquardt scaling and gain-ratio damping (Nielsen
/// 1999; Madsen, Nielsen & Tingleff 2004). `parameters` holds the start and
/// receives the result. Reproduces the NIST StRD certified fits to 6 digits.
[[nodiscard]] FitReport levenberg_marquardt(std::span<double> parameters,
                                            std::size_t residual_count,
                                            const ResidualFunction& function,
                                            const LevenbergMarquardtOptions& options = {});

struct LinearFit {
  FitStatus status = FitStatus::singular;
  std::vector<double> coefficients;
  std::vector<double> covariance;  ///< (A^T W A)^-1 row-major
  double sum_of_squares = 0.0;     ///< weighted
  int rank = 0;
};

/// Weighted linear least squares by column-pivoted QR. `design` row-major
/// (rows x columns); `weights` (inverse variances) may be empty.
[[nodiscard]] LinearFit linear_least_squares(std::span<const double> design, std::size_t columns,
                                             std::span<const double> values,
                                             std::span<const double> weights = {});

}  // namespace coldframe
