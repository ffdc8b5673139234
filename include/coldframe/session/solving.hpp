/// \file
/// Position, zero point and depth of an image, from its stars and the owner's catalogue.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/core/interrupt.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/session/catalogue_file.hpp"
#include "coldframe/sky/photometry.hpp"
#include "coldframe/sky/solve.hpp"

namespace coldframe::session {

struct SuppliedCard;

struct SolvingOptions {
  CatalogueSource catalogue;            ///< no path: nothing is solved
  std::optional<SkyPoint> position;     ///< overrules the header
  double search_radius_deg = 2.0;       ///< how far off the position may be
  std::optional<double> arcsec_per_px;  ///< overrules the header
  double scale_tolerance = 0.1;         ///< share by which the scale may be off
  int highest_order = 5;                ///< of the distortion polynomials; 1: none
  std::optional<double> white_colour;   ///< catalogue colour that is to look white
};

/// "RA,DEC" in degrees, or sexagesimal with RA in hours ("12:34:56,-5:06:07"). Throws Error(usage).
[[nodiscard]] SkyPoint parse_position(const std::string& text);

/// One row of the photometric table.
struct PhotometryRow {
  Point pixel;
  SkyPoint sky;
  double counts = 0.0, counts_error = 0.0, snr = 0.0, fwhm_px = 0.0;
  double magnitude = 0.0, magnitude_error = 0.0;  ///< NaN without a zero point
  double catalogue_magnitude = 0.0;               ///< NaN where unknown
  double colour = 0.0;                            ///< in the catalogue; NaN where unknown
  double separation_arcsec = 0.0;  ///< from the catalogue's position; NaN: no partner
  int flags = 0;
};
namespace photometry_flag {
inline constexpr int saturated = 1;    ///< brightness from the unsaturated wings: not to be trusted
inline constexpr int neighbour = 2;    ///< a star of 5% of its light or more within 2.5 widths
inline constexpr int edge = 4;         ///< within two widths of the frame's edge
inline constexpr int catalogued = 8;   ///< has a partner in the catalogue
inline constexpr int zero_point = 16;  ///< the zero point rests on it
}  // namespace photometry_flag

/// How deep an image goes. What cannot be known is unset.
struct Depth {
  std::optional<sky::ZeroPoint> zero_point;
  std::string magnitude_name, colour_name;  ///< columns of the catalogue
  std::optional<double> sky_mag_arcsec2;
  std::optional<double> limiting_mag;          ///< 5 sigma, point source
  std::optional<double> limiting_mag_arcsec2;  ///< 3 sigma in 10 x 10 arcsec
  std::vector<sky::DepthPoint> growth;
};

/// Everything found out about an image's place and depth.
struct SolvedImage {
  sky::PlateSolution plate;
  std::string why_not;    ///< not solved: in words
  std::string catalogue;  ///< file name
  Depth depth;
  std::vector<PhotometryRow> table;  ///< by falling brightness; empty when not solved
  std::optional<sky::ColourBalance> balance;
  std::vector<std::string> notes;

  [[nodiscard]] bool solved() const noexcept { return plate.status == sky::SolveStatus::solved; }
};

struct SolveJob {
  std::filesystem::path in, out;
  std::filesystem::path table;  ///< CSV of the photometry; empty: beside `out`
  SolvingOptions options;
  double detection_sigma = 5.0;
  std::vector<SuppliedCard> supplied;
  Threads threads;
};
/// Solves one file and writes a copy with the solution, the depth and the photometric table.
/// Nothing is written when it cannot be solved. Throws Error as the other tools do.
[[nodiscard]] SolvedImage solve_file(const SolveJob& job, const Watch& watch);
/// What was found, for people and for programs.
[[nodiscard]] std::string solved_text(const SolvedImage& image);
[[nodiscard]] std::string solved_json(const SolvedImage& image);

}  // namespace coldframe::session
