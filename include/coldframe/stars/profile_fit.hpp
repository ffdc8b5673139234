/// \file
/// Pixel-integrated elliptical profile fits of single stars.
#pragma once

#include "coldframe/core/image.hpp"
#include "coldframe/core/star.hpp"

namespace coldframe::stars {

struct ProfileFitOptions {
  int radius_px = 8;             ///< half side of the fitted square
  double gain_e_per_unit = 1.0;  ///< photon noise above the sky
  double sky_sigma = 1.0;        ///< noise of a sky pixel, image units
  bool gaussian = false;         ///< fit a Gaussian instead of a Moffat
  double fixed_beta = 0.0;       ///< > 0: Moffat with this exponent
};

/// Refines `start` (x, y, flux, fwhm_px, sky) on the pixels around it.
/// Pixels with mask bits do not count. Returns the star with `fitted` true on
/// success; on failure the start with `fitted` false. Never throws.
[[nodiscard]] Star fit_profile(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                               const Star& start, const ProfileFitOptions& options) noexcept;

/// FWHM of a Moffat (FWHM `fwhm`, exponent `beta`; beta 0 = Gaussian) after convolution
/// with a square pixel of side 1, along a pixel axis.
[[nodiscard]] double recorded_fwhm(double fwhm, double beta) noexcept;

}  // namespace coldframe::stars
