/// \file
/// How width and shape of the stars change over the frame: tilt, curvature, astigmatism.
///
/// Widths: FWHM^2 as a surface of second order (a defocus that varies smoothly over the field adds
/// to the square of the width), robustly fitted with weights from the fits' errors and the stars'
/// own scatter. Its linear part is the tilt, its rise from the centre to the mean corner the
/// curvature. Shapes: (a^2-b^2)/(a^2+b^2) as a vector at twice the angle is a constant (tracking)
/// plus a part along or across the radius that grows with its square, as off-axis astigmatism and
/// coma do (Schroeder, Astronomical Optics, 2nd ed., ch. 5, from memory). Pure; sums in list order.
#pragma once

#include <array>
#include <optional>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/star.hpp"

namespace coldframe::stars {

/// A figure with its standard error.
struct Estimate {
  double value = 0.0;
  double error = 0.0;
};

struct FieldShape {
  int stars = 0;                ///< used; below `field_shape_least_stars` nothing is fitted
  double centre_fwhm_px = 0.0;  ///< of the surface at the frame's centre
  /// Rise of the FWHM from one edge of the frame to the opposite one along the steepest line
  /// (of the frame stretched to a square), px; always >= 0, so compare it with its error.
  Estimate tilt_px;
  double tilt_direction_deg = 0.0;  ///< towards wider stars, counter-clockwise from +x
  Estimate curvature_px;            ///< FWHM of the mean corner minus that of the centre
  /// Elongation (a^2-b^2)/(a^2+b^2) that the corner has over the centre: positive along the
  /// radius, negative across it.
  Estimate corner_elongation;
  /// Median FWHM (px) and mean elongation (1 - minor/major, direction) in a 3 x 3 division of the
  /// frame, row by row from the lowest y; unset in cells with fewer than 3 stars.
  std::array<std::optional<double>, 9> fwhm_map_px;
  std::array<std::optional<double>, 9> ellipticity_map;
  std::array<std::optional<double>, 9> direction_map_deg;
};

inline constexpr int field_shape_least_stars = 20;

/// Uses the fitted, unsaturated stars of the list.
[[nodiscard]] FieldShape measure_field_shape(const StarList& stars, Size frame);

}  // namespace coldframe::stars
