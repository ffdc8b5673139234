/// \file
/// Detection, profile fits and per-sub quality of one calibrated frame.
///
/// Detection. The sky-subtracted image, divided by the sky's noise, is correlated with a
/// Gaussian as wide as the field's stars: the optimal detector of a known profile in white noise
/// (North 1943; Turin 1960; for images Zackay & Ofek 2017, ApJ 836, 187). The width comes from
/// the image: bright compact sources found with a 3 px filter in a third of the frame (all of it
/// when they are few) are fitted freely, and the mode of their widths (half-sample mode, Robertson
/// & Cryer 1974) sets the filter and, with the median exponent, the profile. A maximum counts when
/// it stands `threshold_sigma` of the local noise (photons of what lies under it included) above
/// its surroundings: a ring two widths out, the best straight line through it (trails, diffraction
/// spikes), and the saddle towards every brighter neighbour. The filtered noise is known from the
/// kernel and checked on the lower side of the filtered values, which sources do not widen.
///
/// Fits: elliptical Moffat (Moffat 1969, A&A 3, 455), or Gaussian when the field shows no wings,
/// integrated over pixels by Gauss-Legendre quadrature; Levenberg-Marquardt (Marquardt 1963) with
/// analytic derivatives, weighted by the variance of the model, not of the data, which would bias
/// fluxes low. Pixels nearer to another source are left out. The brightest isolated sources are
/// fitted in full with the field's exponent; all others get position and flux with the field's
/// profile (`fitted` false, widths assumed). Errors come from the fit's covariance. The reported
/// FWHM is the width of the profile as recorded, i.e. convolved with the pixel.
///
/// Classes: a fitted source is sharp, extended or a star by its widths before the pixel against a
/// quadratic model of the stars' widths over the field; the others by a windowed second moment
/// against the model's on the same pixels; a lone pixel against its neighbours by what a star
/// centred on a pixel would show. Saturated stars are placed by their unsaturated wings.
///
/// The frame's elongation is the clipped mean of (a^2-b^2)/(a^2+b^2) as a vector at twice the
/// angle, so that random shapes cancel; its width the median of the stars of highest
/// signal-to-noise (the upper half, at least 40). All sums run in a fixed order.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/star.hpp"
#include "coldframe/stars/sky_mesh.hpp"

namespace coldframe::stars {

struct MeasureOptions {
  double threshold_sigma = 5.0;  ///< peak of the filtered image, in its own noise
  int max_fits = 400;     ///< brightest unsaturated, isolated sources fitted in full; 0 = all
  int max_stars = 20000;  ///< brightest kept in the list
  /// Photon noise: variance of a pixel grows by (value - sky) / gain above the
  /// sky's measured variance. 1 for electrons.
  double gain_e_per_unit = 1.0;
  /// The gain is a mere assumption and the frame free of offset: photons then cannot make more
  /// noise at the sky's level than is there, so that level / noise^2 is used when it is larger
  /// (resampled or averaged pictures, arbitrary units).
  bool gain_assumed = false;
  /// Mosaic frames: fit and measure on the green samples only.
  CfaPattern cfa = CfaPattern::none;
  SkyMeshOptions sky;
  /// All faults of the options in words, empty when usable.
  [[nodiscard]] std::vector<std::string> faults() const;
};

enum class QualityStatus {
  good,       ///< figures are from at least `few_stars` fitted stars
  few_stars,  ///< between 3 and 9 fitted stars: figures are rough
  no_stars,   ///< fewer than 3: only sky and noise are meaningful
  no_sky      ///< not even a sky level: nothing usable in the frame
};

/// One line on a sub. Pixel unit as the image; angles as in Star.
struct FrameQuality {
  QualityStatus status = QualityStatus::no_sky;
  int stars = 0;  ///< detections classed as star or saturated
  int fitted = 0;
  double fwhm_px = 0.0;  ///< median of fitted stars, as recorded
  double fwhm_scatter_px = 0.0;
  double fwhm_error_px = 0.0;  ///< standard error of the median
  double ellipticity = 0.0;    ///< of the mean second moments: random shapes cancel
  double ellipticity_error = 0.0;
  double angle_deg = 0.0;
  double beta = 0.0;
  double sky_level = 0.0;
  double noise_per_px = 0.0;
};

struct FrameMeasurement {
  StarList stars;   ///< by falling flux; only classes star and saturated
  StarList others;  ///< everything else that was seen (sharp, extended, edge)
  SkyMesh sky;
  FrameQuality quality;
};

/// Measures one plane. `mask` has the image's size. Throws Error(usage) on bad options.
[[nodiscard]] FrameMeasurement measure_frame(PlaneView<const float> image,
                                             PlaneView<const std::uint8_t> mask,
                                             const MeasureOptions& options, Threads threads);

[[nodiscard]] std::string_view to_string(QualityStatus status) noexcept;

}  // namespace coldframe::stars
