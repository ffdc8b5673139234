/// \file
/// Smoothing that knows the noise, and sharpening with the measured star: for pictures only, never
/// for what is measured.
#pragma once

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::view {

/// Takes out what the noise explains, scale by scale, and leaves what stands above it.
///
/// The undecimated B3-spline wavelet (Starck & Murtagh 1994, A&A 288, 342) splits the plane into
/// four scales; each coefficient w shrinks by 1 - (sigma s/w)^2, to nothing below sigma s (the
/// garrote of Gao 1998, J. Comput. Graph. Stat. 7, 469). s is the robust spread of the scale's own
/// coefficients over `noise`, so noise that resampling has smoothed is met as it is.
/// `noise`: standard deviation of each pixel in units of its own choice (only its variation over
/// the frame matters); empty: the same everywhere. Pixels that are no number stay so.
void smooth_by_noise(PlaneView<float> plane, PlaneView<const float> noise, double sigma,
                     Threads threads = {});

struct SharpenOptions {
  double fwhm_px = 3.0;      ///< of the stars to be undone
  double beta = 3.0;         ///< of their Moffat profile (Moffat 1969, A&A 3, 455)
  int iterations = 10;       ///< few: noise and rings grow with them
  double damping_sigma = 3;  ///< changes below this many sigma of the noise are held back
};
/// Richardson-Lucy iterations (Richardson 1972, JOSA 62, 55; Lucy 1974, AJ 79, 745), damped where
/// the data agree with the model within the noise (White 1994, ASP Conf. 61, 292), and never darker
/// than what lies within two star widths, so that stars get no dark rims. Within a few
/// hundredths the light of a star is kept. Pixels that are no number stay so.
/// Throws Error(usage) for widths of less than half a pixel or more than 50 px.
void sharpen(PlaneView<float> plane, const SharpenOptions& options, Threads threads = {});

}  // namespace coldframe::view
