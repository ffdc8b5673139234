/// \file
/// How the depth of a result grows with the number of its subs, told by the data: sets of subs that
/// have no sub in common are averaged and compared, so that half the scatter of the difference of
/// two such means is free of everything that the sky itself shows.
#pragma once

#include <span>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::pipeline {

/// Side of the square whose mean is looked at, pixels.
inline constexpr int depth_block_px = 8;

struct DepthStep {
  int subs = 0;
  double noise = 0.0;  ///< of the mean of `subs` subs over a block, unit of the pixels
  double error = 0.0;
};

struct DepthGrowth {
  std::vector<DepthStep> steps;  ///< 1, 2, 4 ... subs, then all of them; empty: too few to tell
  double slope = 0.0;            ///< of log noise against log subs; -0.5 for independent noise
  double slope_error = 0.0;
  int blocks = 0;  ///< that took part
};

/// `blocks`: one row per block, one column per sub in the order of time, NaN where a sub does not
/// show it. The brighter 40 % of the blocks are left out. `weights`: one per sub.
[[nodiscard]] DepthGrowth measure_growth(PlaneView<const float> blocks,
                                         std::span<const double> weights);

/// What `more` subs like the `subs` there would add, in magnitudes of the limit: `independent` and
/// `common` are the variances now of what more subs average and of what they share.
[[nodiscard]] double gain_mag(double independent, double common, double slope, int subs, int more);

}  // namespace coldframe::pipeline
