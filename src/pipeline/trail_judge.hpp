/// \file
/// Whether a line found in a residual is a trail, or what a detector, a bright star or an uneven
/// sky can feign.
#pragma once

#include <span>
#include <vector>

#include "coldframe/stack/trails.hpp"
#include "trail_preview.hpp"

namespace coldframe::pipeline::detail {

/// A sub's residual on its own preview grid, in units of the noise; all coordinates below are
/// pixels of this grid.
struct TrailResidual {
  Grid<float> values;
  Mask mask;
  Grid<float> hidden;        ///< light of the model too faint to have been taken out, same unit
  Grid<float> model;         ///< the model itself, in the sub's noise
  double model_noise = 0.0;  ///< of the model, in noise of the sub
  double focus_px = 1.9;     ///< width that a line of focused light has here
  double correlation = 1.0;  ///< scatter of sums along short pieces over that of white noise
};

/// Runs all tests; `trail` is lowered to what its significance is worth in this residual.
[[nodiscard]] bool is_trail(const TrailResidual& residual, stack::Trail& trail,
                            double min_significance);

}  // namespace coldframe::pipeline::detail
