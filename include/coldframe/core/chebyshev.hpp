/// \file
/// Smooth surfaces over a frame in products of Chebyshev polynomials.
///
/// Coordinates: u = 2(x + 0.5)/width - 1, v = 2(y + 0.5)/height - 1, so that the
/// frame's outer edges lie at -1 and 1. Terms T_i(u) T_k(v) with i + k <= order,
/// by total degree and within it by falling power of u:
/// 1, T1(u), T1(v), T2(u), T1(u)T1(v), T2(v), ...
/// The basis is nearly orthogonal on the frame, which keeps fits well conditioned
/// where plain powers lose all digits.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/least_squares.hpp"

namespace coldframe {

/// Number of terms of a total degree, (order+1)(order+2)/2; 0 for a negative order.
[[nodiscard]] constexpr std::size_t chebyshev_terms(int order) noexcept {
  return order < 0 ? 0 : static_cast<std::size_t>((order + 1) * (order + 2) / 2);
}

/// Highest order accepted anywhere in this file.
inline constexpr int chebyshev_highest_order = 31;

/// Position in [-1, 1] over an axis of `length` pixels.
[[nodiscard]] constexpr double chebyshev_coordinate(double pixel, int length) noexcept {
  return 2.0 * (pixel + 0.5) / static_cast<double>(length) - 1.0;
}

/// All terms at (u, v); `out` holds chebyshev_terms(order) values.
void chebyshev_basis(double u, double v, int order, std::span<double> out) noexcept;

/// A surface of one total degree over a frame. Empty coefficients mean zero everywhere.
struct ChebyshevSurface {
  Size size;  ///< of the frame that (u, v) refer to
  int order = 0;
  std::vector<double> coefficients;  ///< chebyshev_terms(order)

  [[nodiscard]] double evaluate(Point pixel) const noexcept;
  /// Values of the pixels (x0, y), (x0 + 1, y), ...; each has the same bits as
  /// `evaluate`, wherever a row is cut.
  void evaluate_row(int x0, int y, std::span<double> out) const noexcept;
  /// The same rounded to float.
  void evaluate_row(int x0, int y, std::span<float> out) const noexcept;
};

/// One point of a surface fit. Weight: inverse variance, or 1; 0 leaves it out.
struct SurfacePoint {
  double x = 0.0;  ///< pixels
  double y = 0.0;
  double value = 0.0;
  double weight = 1.0;
};

struct ChebyshevFit {
  FitStatus status = FitStatus::singular;
  ChebyshevSurface surface;
  /// Inverse of the weighted normal matrix, row-major. Multiply by residual_sigma^2
  /// when the weights are not true inverse variances. Empty when singular.
  std::vector<double> covariance;
  /// Robust scale of value residuals times sqrt(weight), corrected for the fitted terms.
  double residual_sigma = 0.0;
  std::vector<char> kept;  ///< per point: 1 used, 0 left out as outlier or weightless
  std::size_t used = 0;

  /// Standard error of the surface at a pixel, from the covariance as it stands.
  [[nodiscard]] double standard_error(Point pixel) const;
};

/// Robust weighted fit: a few passes with Huber weights, so that gross outliers
/// cannot bend the first surface, then up to `iterations` passes that leave out
/// points beyond `kappa` robust scales (points may come back in). iterations = 0:
/// plain weighted least squares. Column-scaled, column-pivoted QR throughout.
/// Status `singular`: the kept points do not fix all terms; try a lower order.
/// Throws coldframe::Error(usage) for an order outside 0..31 or an empty frame.
[[nodiscard]] ChebyshevFit fit_chebyshev(std::span<const SurfacePoint> points, Size frame,
                                         int order, double kappa = 3.0, int iterations = 10);

}  // namespace coldframe
