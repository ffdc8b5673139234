/// \file
/// A small Levenberg-Marquardt of fixed size for star profiles: no allocation,
/// iteratively reweighted by the model's own variance.
#pragma once

#include <cstdint>
#include <span>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/star.hpp"
#include "stars/profile_model.hpp"

namespace coldframe::stars {

/// A fit whose 1/beta ends here saw a Gaussian.
inline constexpr double least_inverse_beta = 0.01;

/// Light that is not the fitted source's: taken off the data, added to the variance.
class OtherLight {
 public:
  virtual ~OtherLight() = default;
  /// Adds it at `count` pixels given relative to (ox, oy), image units.
  virtual void add(int ox, int oy, const float* x, const float* y, std::size_t count,
                   float* out) const noexcept = 0;
};

/// What a fit knows beforehand.
struct FitSetup {
  double x = 0.0, y = 0.0;  ///< first guess
  double flux = 0.0;        ///< first guess, image units
  double fwhm = 3.0;        ///< first guess of the width before the pixel
  double sky = 0.0;
  double s11 = 0.0, s12 = 0.0, s22 = 0.0;  ///< start shape; all 0 = round with `fwhm`
  double beta = 3.5;
  bool free_shape = true;
  bool free_beta = false;
  bool free_sky = true;
  bool gaussian = false;
  int radius_px = 8;
  double sky_sigma = 1.0;
  double gain_e_per_unit = 1.0;
  CfaPattern cfa = CfaPattern::none;   ///< not none: green samples only
  std::span<const Point> neighbours;   ///< pixels nearer to one of these are left out
  const OtherLight* others = nullptr;  ///< known light around
};

/// What came out; positions and widths in pixels, fluxes in image units.
struct FitResult {
  bool converged = false;
  int iterations = 0;
  std::size_t pixels = 0;
  double x = 0.0, y = 0.0, flux = 0.0, sky = 0.0;
  double s11 = 0.0, s12 = 0.0, s22 = 0.0, beta = 0.0;
  Ellipse ellipse;  ///< before the pixel
  double x_error = 0.0, y_error = 0.0, flux_error = 0.0, width_error = 0.0;
  double inverse_beta_error = 0.0;  ///< 0 when the exponent was fixed or at a bound
  double chi2_per_dof = 0.0;
  double peak_pixel = 0.0;  ///< highest fitted pixel above the fitted sky
  /// Windowed second moment of the data over that of the model, and its error; error 0 = unknown.
  double spread_ratio = 1.0, spread_error = 0.0;
  double spread_along = 1.0;  ///< the ratio in the direction where it is largest
};

/// Scratch of one fit; large, so it lives on a heap or once per thread's work.
struct FitWorkspace {
  PixelSet pixels;
  ModelTerms terms;
  std::array<std::array<float, max_fit_pixels>, parameter_count> jacobian;
  std::array<float, max_fit_pixels> residual;
  std::array<float, max_fit_pixels> weighted;
  std::array<float, max_fit_pixels> around;  ///< other light, in sky sigmas
};

[[nodiscard]] FitResult fit_star(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                                 const FitSetup& setup, FitWorkspace& work) noexcept;

}  // namespace coldframe::stars
