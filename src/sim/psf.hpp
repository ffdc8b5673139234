/// \file
/// Image of a point source on the pixels, integrated over each pixel.
#pragma once

#include <vector>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/sim/scene.hpp"

namespace coldframe::sim {

/// x^-beta for x >= 1; a few multiplications when 2 beta is a small whole number.
class InversePower {
 public:
  explicit InversePower(double beta) noexcept;
  [[nodiscard]] double operator()(double x) const noexcept;

 private:
  double beta_;
  int half_steps_;  ///< 2 beta when whole, else 0
};

/// Moffat 1969 (A&A 3, 455), unit flux: (b-1)/(pi a1 a2) (1 + (u/a1)^2 + (v/a2)^2)^-b.
struct Moffat {
  double share = 1.0;  ///< of the star's light
  double alpha = 2.0;  ///< sqrt(a1 a2)
  double beta = 3.5;
};
[[nodiscard]] double moffat_alpha(double fwhm, double beta) noexcept;

/// Orientation and stretching at one place of the frame.
struct LocalShape {
  double scale = 1.0;        ///< on the width
  double ellipticity = 0.0;  ///< 1 - minor/major, major axis along (ux, uy)
  double ux = 1.0, uy = 0.0;
};

/// A displaced copy of the image with its share of the light.
struct Ghost {
  double dx = 0.0, dy = 0.0, share = 1.0;
};

/// What a star looks like in one sub.
class PointSpread {
 public:
  /// `smear_angle` and `jump_angle` are taken in the sub's pixels.
  PointSpread(const OpticsScene& optics, const SubScene& sub, Size frame);

  [[nodiscard]] LocalShape shape_at(Point p) const noexcept;
  /// Share of the light that falls on the unit pixel centred at (dx, dy) from the star.
  [[nodiscard]] double pixel_share(double dx, double dy, const LocalShape& shape) const noexcept;
  /// Surface brightness of a unit source at (dx, dy), not integrated, without smear or jump.
  [[nodiscard]] double point_value(double dx, double dy) const noexcept;
  /// Adds a star to rows [y0, y1) of `pixels`. `weights` are the factors of the
  /// 2x2 cell (x & 1) + 2 (y & 1). Light below `tolerance` per pixel may be cut, but never
  /// more than 1e-3 of a component's total.
  void add_star(PlaneView<float> pixels, int y0, int y1, Point at, double flux,
                const double (&weights)[4], double tolerance) const noexcept;

  /// Widths of the recorded image (pixel included) at the frame's centre.
  struct Width {
    double fwhm_px = 0.0;      ///< diameter of the circle with the half-maximum contour's area
    double ellipticity = 0.0;  ///< 1 - least/greatest diameter
  };
  [[nodiscard]] Width recorded_width() const;

 private:
  std::vector<Moffat> components_;
  std::vector<std::vector<Ghost>> ghosts_;  ///< of each component
  double corner_fwhm_factor_;
  double tilt_x_, tilt_y_;
  double corner_ellipticity_;
  Point centre_;
  double corner_radius_;
};

}  // namespace coldframe::sim
