/// \file
/// Two set-ups, nights or cameras on equal terms: what the stars that both have seen say.
///
/// Both results are matched star by star, so nothing depends on a catalogue; where one was solved,
/// its zero point is told too. Speed is the growth of (signal/noise)^2 with exposure time: twice
/// the speed reaches the same depth in half the time. For stars it counts light, width and noise
/// (Zackay & Ofek 2017, ApJ 836, 187), for surfaces light and noise per square arcsecond.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/align/match.hpp"
#include "coldframe/core/star.hpp"

namespace coldframe::session {

/// What is known of one side.
struct Setup {
  std::string name;               ///< folder and result
  std::filesystem::path result;   ///< FITS
  std::filesystem::path picture;  ///< the one without sky gradient when there is one
  std::string filter, unit;
  StarList stars;                  ///< flux and flux_error per second of exposure, result pixels
  double exposure_s = 0.0;         ///< of the kept subs
  double noise_per_s = 0.0;        ///< of a pixel of the result, per second of the reference sub
  double noise_correlation = 1.0;  ///< for a large aperture
  double fwhm_px = 0.0;            ///< of the result
  double sub_scale = 1.0;          ///< a sub's pixel in result pixels
  std::optional<double> arcsec_per_px, zero_point_mag, limiting_mag;
  /// Of the kept subs, in their own pixels.
  std::vector<double> sub_fwhm_px, sub_sky_per_s, sub_ellipticity;
  int subs = 0, kept = 0;
  std::optional<double> price;
};

/// One figure of both, and what their ratio shows.
struct Compared {
  std::string code, name, unit;
  double a = 0.0, b = 0.0;  ///< NaN: only the ratio is known
  double ratio = 1.0;       ///< b/a
  double error = 0.0;       ///< one sigma of the ratio
  bool shown = false;       ///< a difference beyond chance
  std::string words;
};

struct Comparison {
  Setup a, b;
  align::MatchResult match;  ///< b -> a
  double scale_ratio = 1.0;  ///< arcsec per pixel of b over that of a
  int common_stars = 0;
  std::vector<Compared> figures;
  std::vector<std::string> verdict, notes;
};

/// Reads a folder that `run` filled, its session.json or one of its results; `filter` chooses among
/// several results (empty: the first). Throws Error(input).
[[nodiscard]] Setup load_setup(const std::filesystem::path& path, const std::string& filter);

/// Throws Error(not_enough_data) when the two have not enough stars in common.
[[nodiscard]] Comparison compare_setups(Setup a, Setup b);

/// A difference counts as shown from this many standard errors: over the figures compared, chance
/// alone says so in fewer than one of twenty comparisons of equals.
inline constexpr double shown_from_sigma = 3.0;

[[nodiscard]] std::string comparison_text(const Comparison& comparison);
[[nodiscard]] std::string comparison_json(const Comparison& comparison);
/// One page that stands alone, with both pictures on one grid, scale, orientation and stretch.
[[nodiscard]] std::string comparison_page(const Comparison& comparison);
void write_comparison(const Comparison& comparison, const std::filesystem::path& page);

}  // namespace coldframe::session
