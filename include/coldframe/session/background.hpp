/// \file
/// The sky's gradient of one file: model and removal, with the owner's regions.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/core/header.hpp"
#include "coldframe/core/interrupt.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/sky/gradient.hpp"

namespace coldframe::session {

/// What was fitted to one plane.
struct PlaneBackground {
  std::string status;  ///< "fitted", "level-only" or "declined"
  int order = 0;
  double free_sky_share = 0.0;
  std::optional<double> taken_share;  ///< see sky::GradientModel
  double residual_rms = 0.0, cell_noise = 0.0;
};

/// Reads regions into `options`. The file is JSON: {"coordinates": "pixel" or "sky", "protect":
/// [polygon, ...], "sample": [polygon, ...]}, a polygon being a list of three or more [x, y]
/// (pixels from 0, as in the record) or [RA, Dec] (degrees, J2000; `header` must hold a solution).
/// Throws Error(usage) for what is not that.
void read_regions(const std::filesystem::path& path, const Header& header,
                  sky::GradientOptions& options);

/// Whether the file can be read at all; corners on the sky are not yet looked up. Throws likewise.
void check_regions(const std::filesystem::path& path);

struct BackgroundJob {
  std::filesystem::path in, out;
  std::filesystem::path model;    ///< the model alone as a further file; empty: none
  std::filesystem::path regions;  ///< empty: none
  sky::GradientOptions options;
  Threads threads;
};
struct BackgroundOutcome {
  std::vector<PlaneBackground> planes;
  std::string note;  ///< why nothing, or only the level, was removed
};
/// Fits and removes the gradient of a file; `in` stays as it is.
[[nodiscard]] BackgroundOutcome remove_background(const BackgroundJob& job, const Watch& watch);
[[nodiscard]] std::string background_json(const BackgroundOutcome& outcome);

}  // namespace coldframe::session
