/// \file
/// From counts to magnitudes: zero point, sky brightness, depth, extinction, colour balance.
///
/// Magnitudes of `counts` collected in `exposure_s`: zero point - 2.5 log10(counts / exposure_s);
/// the zero point is the magnitude of a source that gives one unit (electron or ADU) per second.
#pragma once

#include <limits>
#include <optional>
#include <span>
#include <vector>

namespace coldframe::sky {

/// A value with its standard error.
struct Measured {
  double value = 0.0;
  double error = 0.0;
};

/// A star seen both in the image and in a catalogue.
struct ZeroPointSample {
  double instrumental = 0.0;                                 ///< -2.5 log10(counts per second)
  double instrumental_error = 0.0;                           ///< standard error, mag
  double magnitude = 0.0;                                    ///< in the catalogue
  double magnitude_error = 0.0;                              ///< 0 where unknown
  double colour = std::numeric_limits<double>::quiet_NaN();  ///< in the catalogue; NaN: unknown
};

struct ZeroPoint {
  Measured magnitude;    ///< for a star of colour `colour_pivot` when there is a term
  double scatter = 0.0;  ///< robust standard deviation of single stars about the fit
  int stars = 0;         ///< in the fit
  int left_out = 0;      ///< outliers
  std::optional<Measured> colour_term;  ///< change of the zero point per magnitude of colour
  double colour_pivot = 0.0;            ///< median colour of the stars
  std::vector<bool> used;               ///< per sample

  /// For a star of this colour (NaN: of the median colour).
  [[nodiscard]] double at(double colour) const noexcept;
};

/// Weighted mean of magnitude - instrumental, with a term linear in colour when at least ten stars
/// have one and they spread by 0.1 mag or more. The weights hold the errors and the scatter that
/// these do not explain; stars beyond three standard deviations are left out, repeatedly. Unset
/// below three stars.
[[nodiscard]] std::optional<ZeroPoint> fit_zero_point(std::span<const ZeroPointSample> samples);

/// Noise-equivalent area of a star, pixels (King 1983, PASP 95, 163): 1 / integral of the squared
/// profile, so that an optimal measurement has the noise of the sky over that area. Moffat with
/// exponent `beta`; Gaussian for `beta` 0.
[[nodiscard]] double noise_equivalent_area(double fwhm_px, double beta) noexcept;

/// mag/arcsec^2 of a level per pixel.
[[nodiscard]] double surface_brightness(double zero_point, double level_per_px, double exposure_s,
                                        double arcsec_per_px) noexcept;

/// What decides how deep an image goes.
struct DepthInput {
  double zero_point = 0.0;
  double exposure_s = 1.0;  ///< that the counts belong to
  double noise_per_px = 0.0;
  double arcsec_per_px = 1.0;
  double fwhm_px = 0.0;
  double beta = 0.0;
  /// Error of a star's optimal flux, and of the sum over 10 x 10 arcsec, over the error that
  /// independent pixels would give.
  double star_noise_factor = 1.0;
  double area_noise_factor = 1.0;
};
/// Magnitude of a star whose optimally measured flux is 5 times its error (the sky's noise only):
/// half of such stars are found by a 5 sigma search.
[[nodiscard]] double limiting_magnitude(const DepthInput& input) noexcept;
/// mag/arcsec^2 that is 3 times the error of the mean over 10 x 10 arcsec.
[[nodiscard]] double limiting_surface_brightness(const DepthInput& input) noexcept;

/// One sub, or exposure, in the order they were taken.
struct DepthStep {
  double exposure_s = 0.0;
  double information = 0.0;  ///< (signal/noise)^2 it adds, any unit
};
struct DepthPoint {
  double exposure_s = 0.0;  ///< summed so far
  double magnitude = 0.0;   ///< limiting magnitude then
};
/// How the limiting magnitude grew: (signal/noise)^2 of independent subs add up; the last point is
/// `final_magnitude`.
[[nodiscard]] std::vector<DepthPoint> depth_growth(std::span<const DepthStep> steps,
                                                   double final_magnitude);

struct ExtinctionSample {
  double airmass = 0.0;
  double dimming = 0.0;  ///< magnitudes below an arbitrary level, the same for all
  double error = 0.0;
};
struct Extinction {
  Measured mag_per_airmass;
  double scatter = 0.0;
  double airmass_low = 0.0, airmass_high = 0.0;  ///< of the samples used
  int used = 0, left_out = 0;
};
/// Straight line (Bouguer's law: a plane-parallel atmosphere dims by k X magnitudes), outliers
/// (clouds) left out. Unset below five samples or below 0.1 in airmass.
[[nodiscard]] std::optional<Extinction> fit_extinction(std::span<const ExtinctionSample> samples);

/// Factors that bring red and blue to green.
struct ColourBalance {
  double red = 1.0, green = 1.0, blue = 1.0;
  double red_error = 0.0, blue_error = 0.0;  ///< relative
  int stars = 0;
  bool from_catalogue = false;  ///< false: the stars' mean colour is taken for white
  double white_colour = 0.0;    ///< colour index that is made white
};
struct ColourSample {
  double red = 0.0, green = 0.0, blue = 0.0;                 ///< counts of one star
  double colour = std::numeric_limits<double>::quiet_NaN();  ///< in the catalogue
};
/// With ten or more catalogue colours: instrumental red/green and blue/green as straight lines of
/// the colour, made 1 at `white_colour`; else at the stars' mean. Unset below five stars.
[[nodiscard]] std::optional<ColourBalance> balance_colours(std::span<const ColourSample> samples,
                                                           double white_colour);

}  // namespace coldframe::sky
