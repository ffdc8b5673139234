/// \file
/// Light of the scene's galaxy on the sky grid and in a sub.
#pragma once

#include <vector>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/transform.hpp"
#include "coldframe/sim/scene.hpp"
#include "sim/psf.hpp"

namespace coldframe::sim {

/// b of Sersic's law, Gamma(2n)/2 = gamma(2n, b): series of Ciotti & Bertin 1999 (A&A 352, 447).
[[nodiscard]] double sersic_b(double index) noexcept;

/// A radial profile tabulated in elliptical radius, for speed.
class RadialTable {
 public:
  RadialTable() = default;
  template <typename Profile>
  RadialTable(double reach_px, const Profile& profile);
  [[nodiscard]] double value(double radius) const noexcept;
  [[nodiscard]] double reach() const noexcept { return reach_; }

 private:
  static constexpr double per_px = 16.0;
  double reach_ = 0.0;
  std::vector<float> values_;
};

/// Two parts of different colour: the Sersic body (with arms) and the exponential halo.
class Galaxy {
 public:
  Galaxy(const SkyScene& sky, Size frame);

  [[nodiscard]] bool empty() const noexcept { return !has_body_ && !has_halo_; }
  [[nodiscard]] Point centre() const noexcept { return centre_; }
  /// Surface brightness in e/s per pixel at a point of the sky grid.
  struct Light {
    double body = 0.0, halo = 0.0;
  };
  [[nodiscard]] Light at(Point sky) const noexcept;
  /// Farthest distance from the centre with any light.
  [[nodiscard]] double reach() const noexcept;

 private:
  [[nodiscard]] double arms(double u, double v, double radius) const noexcept;

  Point centre_;
  double cos_, sin_;
  double axis_ratio_, halo_axis_ratio_;
  double spiral_depth_, spiral_winding_, spiral_start_;
  bool has_body_, has_halo_;
  RadialTable body_, halo_;
};

/// The galaxy in one sub's pixels: averaged over pixels where it is steep and convolved
/// with the star image inside a core region; beyond it the light is smooth on that scale.
class GalaxyImage {
 public:
  GalaxyImage(const Galaxy& galaxy, const Transform& sky_to_sub, const PointSpread& psf,
              double seeing_fwhm_px, Size frame);
  /// Adds rows [y0, y1) times the weights of the 2x2 cell.
  void add_rows(PlaneView<float> pixels, int y0, int y1, const double (&body)[4],
                const double (&halo)[4]) const noexcept;

 private:
  [[nodiscard]] Galaxy::Light pixel(int x, int y) const noexcept;
  void convolve_core(const PointSpread& psf, double seeing_fwhm_px);

  const Galaxy* galaxy_;
  Transform sub_to_sky_;
  Point centre_;        ///< in the sub
  double core_radius_;  ///< inside it the convolved light is used
  Rect core_;
  Grid<float> core_body_;
};

}  // namespace coldframe::sim
