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
  double correlation = 1.0;  ///< scatter of sums along short pieces over that of white noise
};

/// Runs all tests; `trail` is lowered to what its significance is worth in this residual.
[[nodiscard]] bool is_trail(const TrailResidual& residual, stack::Trail& trail,
                            double min_significance);

/// Lines along the sensor's rows or columns, seen at one place in more than one sub: bad columns.
/// Removes them; `trails` in the pixels of each sub's frame, `slack_px` likewise.
void drop_sensor_lines(std::vector<std::vector<stack::Trail>>& trails, double slack_px);

}  // namespace coldframe::pipeline::detail
