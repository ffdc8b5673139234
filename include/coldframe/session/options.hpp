/// \file
/// Options of a whole job. Defaults are in place; units are in the names.
#pragma once

#include <array>
#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/align/resample.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/sensor/calibrate.hpp"
#include "coldframe/sensor/line_separation.hpp"
#include "coldframe/sensor/masters.hpp"
#include "coldframe/session/canvas.hpp"
#include "coldframe/session/owner_weights.hpp"
#include "coldframe/session/solving.hpp"
#include "coldframe/stack/combine.hpp"
#include "coldframe/stack/normalise.hpp"
#include "coldframe/stack/weights.hpp"

namespace coldframe::session {

/// A card that stands in where a header lacks it: keyword and value as text.
struct SuppliedCard {
  std::string keyword;
  std::string value;
};

/// Limits for keeping a sub. Unset: found from the session itself.
struct KeepLimits {
  std::optional<double> max_fwhm_px;
  std::optional<double> max_ellipticity;
  std::optional<double> min_transparency;  ///< of the best sub
  std::optional<int> min_stars;
  /// Of what a typical sub adds to the (signal/noise)^2 of stars; default 0.1.
  std::optional<double> min_contribution;
  std::vector<std::string> keep_only;  ///< names (relative to SESSION); empty: all may stay
  std::vector<std::string> drop;       ///< names dropped by the owner
};

/// How calibration frames may differ from the lights they serve.
struct MatchTolerances {
  double temperature_c = 2.0;
  double exposure_share = 0.02;
  double rotator_deg = 3.0;
};

/// Separating the two lines of a dual-band filter on a colour sensor.
struct LineOptions {
  enum class Choice {
    automatic,  ///< where the filter's name says two lines
    off,
    named  ///< by the owner: `names`
  };
  Choice choice = Choice::automatic;
  std::array<std::string, 2> names{"Ha", "OIII"};
  std::optional<sensor::Crosstalk> crosstalk;  ///< unset: that of a usual sensor, with a warning
};

/// From "auto", "none" or two names ("Ha,OIII"), and six numbers ("1,0.06,...") or nothing. Throws
/// Error(usage).
[[nodiscard]] LineOptions line_options(const std::string& lines, const std::string& crosstalk);

/// Whether particles are looked for in each sub alone.
enum class ParticleSearch { automatic, always, never };

struct RunOptions {
  std::filesystem::path session;
  /// Folders of further nights of the same target; each is calibrated with its own frames first.
  std::vector<std::filesystem::path> more_sessions;
  std::filesystem::path out;
  std::size_t memory_bytes = 0;  ///< 0: a quarter of the machine's memory, at most 4 GiB
  Threads threads;
  std::filesystem::path masters;  ///< folder of ready masters of other sessions; empty: none
  sensor::FlatGradient flat_gradient = sensor::FlatGradient::keep;
  std::filesystem::path scratch;  ///< empty: compressed input is decoded again per pass
  std::vector<SuppliedCard> supplied;
  std::optional<double> gain_e_per_adu;
  std::optional<double> saturation_adu;
  KeepLimits keep;
  MatchTolerances tolerances;
  std::string reference;  ///< name of a sub; empty: chosen
  /// JSON of `register`: the subs that it tells are not matched, its reference is the reference.
  std::filesystem::path transforms;
  double detection_sigma = 5.0;
  stack::CombineOptions combine;
  stack::Weighting weighting = stack::Weighting::inverse_variance;
  std::vector<OwnerWeight> owner_weights;  ///< for Weighting::owner
  stack::SkyMatching sky_matching = stack::SkyMatching::surface;
  align::ResampleOptions resample;
  CanvasOptions canvas;
  std::optional<double> drizzle_scale;  ///< drizzled pixels per ordinary one; unset: no drizzle
  std::optional<double> drop_size;      ///< side of a drop, sub pixels; unset: by the grid
  sensor::Demosaic demosaic = sensor::Demosaic::own_lattice;
  LineOptions lines;
  SolvingOptions solving;  ///< catalogue and search; no catalogue: results are not solved
  bool search_trails = true;
  ParticleSearch particles =
      ParticleSearch::automatic;  ///< automatic: in groups of 4 subs or fewer
  bool remove_background = true;
  std::filesystem::path background_regions;  ///< JSON of polygons; empty: none
  std::string recipe_text;                   ///< written to OUT/recipe.toml

  /// All faults in words; empty when usable.
  [[nodiscard]] std::vector<std::string> faults() const;
};

/// A quarter of the machine's memory, at most 4 GiB.
[[nodiscard]] std::size_t default_memory_bytes();

}  // namespace coldframe::session
