#include "robust_line.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::sky {
namespace {

// Weighted fit of the points in use; false when they do not fix it.
bool fit_used(std::span<const LinePoint> points, bool sloped, double extra, RobustLine& line) {
  std::vector<double> design, values, weights;
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (!line.used[i]) continue;
    design.push_back(1.0);
    if (sloped) design.push_back(points[i].x);
    values.push_back(points[i].y);
    weights.push_back(1.0 / std::max(points[i].error * points[i].error + extra * extra, 1e-12));
  }
  line.count = values.size();
  const auto fit = linear_least_squares(design, sloped ? 2 : 1, values, weights);
  if (fit.status != FitStatus::converged) return false;
  line.level = {fit.coefficients[0], std::sqrt(std::max(fit.covariance[0], 0.0))};
  if (sloped) line.slope = {fit.coefficients[1], std::sqrt(std::max(fit.covariance[3], 0.0))};
  return true;
}

std::vector<double> residuals(std::span<const LinePoint> points, const RobustLine& line,
                              bool used_only) {
  std::vector<double> left;
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (used_only && !line.used[i]) continue;
    left.push_back(points[i].y - line.level.value - line.slope.value * points[i].x);
  }
  return left;
}

// What the stated errors leave unexplained of the scatter.
double unexplained(std::span<const LinePoint> points, const RobustLine& line) {
  std::vector<double> errors;
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (line.used[i]) errors.push_back(points[i].error * points[i].error);
  }
  const double scatter = robust_sigma(residuals(points, line, true));
  return std::sqrt(std::max(scatter * scatter - median_in_place(errors), 0.0));
}

// A start that outliers cannot move: a level by the median; a slope by the median of slopes of
// points half a list apart in x (after Theil 1950 and Sen 1968).
void robust_start(std::span<const LinePoint> points, bool sloped, RobustLine& line) {
  std::vector<LinePoint> sorted(points.begin(), points.end());
  std::sort(sorted.begin(), sorted.end(),
            [](const LinePoint& a, const LinePoint& b) { return a.x < b.x; });
  std::vector<double> slopes;
  const std::size_t half = (sorted.size() + 1) / 2;
  for (std::size_t i = 0; sloped && i + half < sorted.size(); ++i) {
    const double run = sorted[i + half].x - sorted[i].x;
    if (run > 0.0) slopes.push_back((sorted[i + half].y - sorted[i].y) / run);
  }
  line.slope.value = slopes.empty() ? 0.0 : median_in_place(slopes);
  line.level.value = 0.0;
  auto levels = residuals(points, line, false);
  line.level.value = median_in_place(levels);
}

}  // namespace

std::optional<RobustLine> fit_robust_line(std::span<const LinePoint> points, bool sloped,
                                          double kappa) {
  constexpr std::size_t fewest = 3;
  if (points.size() < fewest) return std::nullopt;
  RobustLine line;
  line.used.assign(points.size(), true);
  robust_start(points, sloped, line);
  constexpr int most_rounds = 20;
  for (int round = 0; round < most_rounds; ++round) {
    const double extra = unexplained(points, line);
    const auto left = residuals(points, line, false);
    std::vector<bool> used(points.size());
    for (std::size_t i = 0; i < points.size(); ++i) {
      // Rounding of exact data is no outlier.
      const double expected = std::max(std::hypot(points[i].error, extra), 1e-9);
      used[i] = std::fabs(left[i]) <= kappa * expected;
    }
    if (static_cast<std::size_t>(std::count(used.begin(), used.end(), true)) < fewest) break;
    const bool settled = round > 0 && used == line.used;
    line.used = std::move(used);
    if (!fit_used(points, sloped, extra, line)) return std::nullopt;
    if (settled) break;
  }
  line.count = static_cast<std::size_t>(std::count(line.used.begin(), line.used.end(), true));
  line.scatter = robust_sigma(residuals(points, line, true));
  return line;
}

}  // namespace coldframe::sky
