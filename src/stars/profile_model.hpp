/// \file
/// Elliptical Moffat or Gaussian integrated over pixels, with derivatives.
///
/// Profile: g = (1 + k s)^(-1/b), s = S11 dx^2 + 2 S12 dx dy + S22 dy^2, b = 1/beta,
/// k = 2^b - 1, so that s = 1 is the half-maximum ellipse whatever beta is: width and
/// exponent then are nearly uncorrelated, and b -> 0 is the Gaussian.
#pragma once

#include <array>
#include <cstddef>
#include <span>

namespace coldframe::stars {

/// Order of the parameters of a fit.
enum Parameter : std::size_t { par_x, par_y, par_peak, par_sky, par_s11, par_s12, par_s22, par_b };
inline constexpr std::size_t parameter_count = 8;
using ParameterVector = std::array<double, parameter_count>;

/// Largest half side of a fitted square, and pixels inside its circle.
inline constexpr int max_fit_radius = 40;
inline constexpr std::size_t max_fit_pixels = 5100;

/// Pixels that share a quadrature rule stand together.
struct PixelSet {
  std::array<float, max_fit_pixels> x;  ///< relative to the fit's origin
  std::array<float, max_fit_pixels> y;
  std::array<float, max_fit_pixels> value;   ///< above the first guess of the sky, in sky sigmas
  std::array<float, max_fit_pixels> weight;  ///< inverse variance
  std::size_t count = 0;
  std::size_t core_count = 0;  ///< the first so many are integrated more finely
  int core_nodes = 3;          ///< Gauss-Legendre nodes per axis
  int outer_nodes = 2;
};

/// Per pixel: the unit-peak model and its derivative factors.
struct ModelTerms {
  std::array<float, max_fit_pixels> g;
  std::array<float, max_fit_pixels> hx;  ///< sum of dg/ds dx
  std::array<float, max_fit_pixels> hy;
  std::array<float, max_fit_pixels> hxx;  ///< sum of dg/ds dx^2
  std::array<float, max_fit_pixels> hxy;
  std::array<float, max_fit_pixels> hyy;
  std::array<float, max_fit_pixels> gb;  ///< dg/db
};

/// Nodes and weights of Gauss-Legendre quadrature over a pixel, -1/2 .. 1/2 (n = 1 .. 5).
struct PixelRule {
  std::array<double, 5> node{};
  std::array<double, 5> weight{};
};
[[nodiscard]] PixelRule pixel_rule(int nodes) noexcept;

struct ProfileShape;
struct PixelNodes;
/// The loop's numbers for a parameter vector, and the nodes of a rule per pixel.
[[nodiscard]] ProfileShape shape_of(const ParameterVector& parameters, bool gaussian) noexcept;
[[nodiscard]] PixelNodes nodes_of(int per_axis) noexcept;
/// Nodes per axis that keep the quadrature error far below any star's photon noise, in the core
/// and outside 1.5 widths.
[[nodiscard]] int core_nodes_for(double width) noexcept;
[[nodiscard]] int outer_nodes_for(double width) noexcept;

/// Evaluates the model on all pixels of the set.
void evaluate_profile(const PixelSet& pixels, const ParameterVector& parameters, bool gaussian,
                      ModelTerms& terms) noexcept;

/// Light of a unit-peak profile: pi / ((beta - 1) k sqrt(det S)), Gaussian pi / (ln2 sqrt(det S)).
[[nodiscard]] double unit_peak_flux(const ParameterVector& parameters, bool gaussian) noexcept;

/// Full widths at half maximum of the half-maximum ellipse, and the direction of the longer.
struct Ellipse {
  double major = 0.0;
  double minor = 0.0;
  double angle_deg = 0.0;  ///< in [0, 180)
};
[[nodiscard]] Ellipse ellipse_of(double s11, double s12, double s22) noexcept;

}  // namespace coldframe::stars
