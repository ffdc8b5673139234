/// \file
/// Where a star list lies on the sky, from a rough pointing and a catalogue.
///
/// The catalogue is laid onto tangent planes at the expected scale, the nearest to the pointing
/// first, and each is matched against the measured stars by triangles, votes and a robust fit
/// (align/match.hpp); any rotation, either parity. What is found is refined on the whole
/// catalogue: stars paired by mutual nearest neighbours in a shrinking radius, a TAN-SIP solution
/// fitted at each step (sky/tan_sip.hpp) and pairs beyond three robust standard deviations left
/// out. A solution counts only when as many pairs by chance are too unlikely, all tries counted.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <utility>
#include <vector>

#include "coldframe/core/parallel.hpp"
#include "coldframe/core/star.hpp"
#include "coldframe/sky/catalogue.hpp"
#include "coldframe/sky/tan_sip.hpp"

namespace coldframe::sky {

struct SolveOptions {
  SkyPoint pointing;             ///< where the middle of the frame is expected
  double search_radius_deg = 2;  ///< how wrong that may be
  double arcsec_per_px = 1.0;    ///< expected scale
  double scale_tolerance = 0.1;  ///< share by which it may be wrong
  double tolerance_px = 2.0;     ///< pairs further apart are no pairs while searching
  int highest_order = 5;         ///< of the distortion; 1: none
  double max_false_probability = 1e-6;
  Threads threads;
  /// All faults in words; empty when usable.
  [[nodiscard]] std::vector<std::string> faults() const;
};

enum class SolveStatus {
  solved,
  too_few_stars,            ///< fewer than 6 measured stars
  too_few_catalogue_stars,  ///< fewer than 6 catalogue stars in the search area
  no_match                  ///< nothing in the search area fits beyond chance
};
[[nodiscard]] std::string_view to_string(SolveStatus status) noexcept;

struct SolvedPair {
  std::size_t star = 0;       ///< index into the star list
  std::size_t catalogue = 0;  ///< index into the catalogue
  Point residual_px;          ///< catalogue position by the solution, minus the star's
  bool used = true;           ///< false: left out of the fit as an outlier
};

struct PlateSolution {
  SolveStatus status = SolveStatus::no_match;
  TanSip wcs;
  std::vector<SolvedPair> pairs;  ///< by index of the star
  int used = 0;                   ///< pairs in the fit
  double rms_px = 0.0;            ///< of the residuals' lengths, pairs in the fit
  double rms_arcsec = 0.0;
  double offset_deg = 0.0;          ///< of the middle of the frame from the pointing
  double false_probability = 1.0;   ///< that chance gives as many pairs anywhere in the search
  std::size_t catalogue_stars = 0;  ///< in the frame
};

/// `stars` in any order; `frame` is the size of the image they were measured in.
[[nodiscard]] PlateSolution solve_plate(std::span<const Star> stars, Size frame,
                                        std::span<const CatalogueStar> catalogue,
                                        const SolveOptions& options);

/// Pairs stars with a catalogue under a known solution: mutual nearest neighbours closer than
/// `radius_px`.
[[nodiscard]] std::vector<SolvedPair> pair_with_catalogue(std::span<const Star> stars, Size frame,
                                                          std::span<const CatalogueStar> catalogue,
                                                          const TanSip& wcs, double radius_px);

}  // namespace coldframe::sky
