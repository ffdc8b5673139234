/// \file
/// The stars' shape as a smooth function of the place.
///
/// Size (ln of the half-maximum ellipse's area) and shape ((a^2-b^2)/(a^2+b^2) as a vector at twice
/// the angle) are polynomials of second order, or planes when stars are few, fitted to the fitted
/// stars in rounds that leave out what stands off: tilt, curvature and coma of a small telescope
/// change the width by tens of percent over a frame, and a star must be judged, and its light
/// measured, by the profile where it stands.
#pragma once

#include <array>
#include <cstddef>
#include <span>

#include "coldframe/core/geometry.hpp"

namespace coldframe::stars {

/// Half-maximum ellipse as in the profile: s = s11 dx^2 + 2 s12 dx dy + s22 dy^2 = 1.
struct ShapeMatrix {
  double s11 = 0.0, s12 = 0.0, s22 = 0.0;
};

struct ShapeSample {
  Point at;
  ShapeMatrix shape;
};

struct ShapeSurface {
  bool varies = false;  ///< false: the mean shape serves everywhere
  Point centre;
  double scale = 1.0;
  std::size_t terms = 1;
  std::array<std::array<double, 6>, 3> c{};  ///< ln size, two components of shape

  [[nodiscard]] ShapeMatrix at(Point p) const noexcept;
};

/// `varies` only where the surface lowers the scatter of the sizes or shapes by far more than its
/// free terms alone would, and at least 40 samples stand behind it.
[[nodiscard]] ShapeSurface fit_shape_surface(std::span<const ShapeSample> samples, Size frame);

}  // namespace coldframe::stars
