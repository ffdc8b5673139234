// Which subs stay. A pure function on figures, so that rules can be tried on any night.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "coldframe/session/options.hpp"
#include "double_images.hpp"

namespace coldframe::session {

/// What the rules look at.
struct SubFigures {
  bool usable = false;     ///< could be read and measured
  std::size_t set_up = 0;  ///< telescope and camera: subs are judged among their own
  std::string fault;       ///< why not usable
  bool dropped_by_owner = false;
  bool listed = true;  ///< on the owner's list, or there is none
  bool has_sky = false;
  bool matched = false;
  std::string no_match;  ///< why not matched
  int stars = 0;
  int fitted = 0;  ///< below 3 neither width nor shape is known
  double fwhm_px = 0.0, fwhm_error_px = 0.0;
  double arcsec_per_px = 0.0;  ///< 0: unknown
  double ellipticity = 0.0, ellipticity_error = 0.0;
  double transparency = 0.0, transparency_error = 0.0;  ///< of the best sub's; 0: unknown
  double noise = 0.0;  ///< of a sky pixel on the reference's scale; 0: unknown
  double exposure_s = 1.0;
  std::optional<DoubleImage> doubles;
};

/// A decision with its number and limit.
struct Decision {
  bool kept = false;
  /// "" when kept; else unreadable, owner, no-sky, double-images, ellipticity, transparency, fwhm,
  /// stars, no-match, contribution or weight.
  std::string rule;
  std::optional<double> value, limit;
  std::string words;  ///< "" when kept
};

/// Rules, in this order, within each set-up. Each compares a figure with a limit from the session's
/// own better side, and counts a figure only as far as its error lets it stand beyond the limit:
/// - double images in a minority of subs: a jump of the mount;
/// - ellipticity: single outliers (at most a quarter of 6 or more subs) beyond 5 robust sigma and
///   0.10 above the typical one; whatever is common is judged by a wider limit of 0.25 to 0.6;
/// - transparency below half of the better quarter's;
/// - FWHM beyond 5 robust sigma, at least 1.6 and at most 2 times the typical width; and, where the
///   scale is known, wider than 8 arcsec and 2.5 times the sharpest subs, however many there are;
/// - fewer than 5 stars; no match with the reference;
/// - contribution: what the sub adds to the (signal/noise)^2 of a point source, measured on the
///   combined image with the combined star's width, is below `min_contribution` of what a typical
///   sub of its exposure adds (Gaussian stars: for equal noise that is a FWHM 1.62 times the
///   others', for equal FWHM a noise 3.2 times theirs).
[[nodiscard]] std::vector<Decision> judge_subs(std::span<const SubFigures> subs,
                                               const KeepLimits& owner);

/// Gain of each sub: relative growth of a point source's (signal/noise)^2 in the weighted mean by
/// adding it to all others, for Gaussian stars: with W = sum w and S = sum w_i w_k / (f_i^2 +
/// f_k^2) the combined (signal/noise)^2 is proportional to S / W. Weights w = 1/noise^2. A sub
/// alone: 1.
[[nodiscard]] std::vector<double> net_gains(std::span<const double> noise,
                                            std::span<const double> fwhm);

}  // namespace coldframe::session
