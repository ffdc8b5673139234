// A straight line, or a level, through points with errors and outliers.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "coldframe/sky/photometry.hpp"

namespace coldframe::sky {

struct LinePoint {
  double x = 0.0;
  double y = 0.0;
  double error = 0.0;  ///< of y; 0: unknown
};
struct RobustLine {
  Measured level;  ///< at x = 0
  Measured slope;  ///< zero with no error for a level
  double scatter = 0.0;
  std::vector<bool> used;
  std::size_t count = 0;  ///< used
};
/// Weights 1/(error^2 + extra^2) with the extra scatter found from the residuals; points beyond
/// `kappa` of their expected deviation are left out, repeatedly. `sloped` false: level only. Unset
/// with fewer than three points.
[[nodiscard]] std::optional<RobustLine> fit_robust_line(std::span<const LinePoint> points,
                                                        bool sloped, double kappa = 3.0);

}  // namespace coldframe::sky
