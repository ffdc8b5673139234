#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "sky_cells.hpp"

namespace coldframe::sky {
namespace {

constexpr int blocks_per_side = 5;
constexpr int passes_per_scale = 3;

/// Weight of a cell `r` above the surface, scale `s`: cells below count (mildly
/// limited, for dead corners), cells far above do not.
double lower_weight(double r, double s) {
  if (r <= 0.0) return std::min(1.0, 3.0 * s / std::max(-r, 1e-300));
  const double t = r / (2.0 * s);
  return 1.0 / ((1.0 + t * t) * (1.0 + t * t));
}

int block_of(const CellGrid& grid, const SurfacePoint& point) {
  const auto part = [](double value, int length) {
    return std::clamp(static_cast<int>((value + 0.5) / length * blocks_per_side), 0,
                      blocks_per_side - 1);
  };
  return part(point.x, grid.frame.width) + blocks_per_side * part(point.y, grid.frame.height);
}

/// Mean loss per block of predicting it from the other folds; Huber's loss, so that
/// single cells with a bright star do not decide. Empty when some fold cannot be fitted.
std::vector<double> block_losses(const CellGrid& grid, const std::vector<SurfacePoint>& points,
                                 const std::vector<int>& blocks, int order) {
  constexpr int block_count = blocks_per_side * blocks_per_side;
  std::vector<double> loss(block_count, 0.0);
  std::vector<double> weight(block_count, 0.0);
  const double scale = std::max(grid.noise, 1e-300);
  for (int fold = 0; fold < blocks_per_side; ++fold) {
    // Blocks of a fold lie a knight's move apart: never two neighbours at once.
    const auto left_out = [&](std::size_t i) {
      return (blocks[i] % blocks_per_side + 2 * (blocks[i] / blocks_per_side)) % blocks_per_side ==
             fold;
    };
    std::vector<SurfacePoint> rest;
    for (std::size_t i = 0; i < points.size(); ++i) {
      if (!left_out(i)) rest.push_back(points[i]);
    }
    if (rest.size() < 2 * chebyshev_terms(order)) return {};
    const auto fit = fit_chebyshev(rest, grid.frame, order, 3.0, 5);
    if (fit.status == FitStatus::singular) return {};
    for (std::size_t i = 0; i < points.size(); ++i) {
      if (!left_out(i)) continue;
      const auto& p = points[i];
      const double t = std::abs(p.value - fit.surface.evaluate({p.x, p.y})) / scale;
      const auto b = static_cast<std::size_t>(blocks[i]);
      loss[b] += p.weight * (t <= 3.0 ? 0.5 * t * t : 3.0 * (t - 1.5));
      weight[b] += p.weight;
    }
  }
  std::vector<double> means;
  for (std::size_t b = 0; b < loss.size(); ++b) {
    if (weight[b] > 0.0) means.push_back(loss[b] / weight[b]);
  }
  return means;
}

}  // namespace

ChebyshevSurface lower_surface(const CellGrid& grid, int order) {
  std::vector<double> values;
  std::vector<SkyCell> cells;
  for (const auto& cell : grid.cells) {
    if (cell.weight <= 0.0) continue;
    cells.push_back(cell);
    values.push_back(cell.value);
  }
  ChebyshevSurface surface{grid.frame, 0, {median(values)}};
  const auto terms = chebyshev_terms(order);
  if (cells.size() < 2 * terms) return surface;
  std::vector<double> design(cells.size() * terms);
  for (std::size_t i = 0; i < cells.size(); ++i) {
    chebyshev_basis(chebyshev_coordinate(cells[i].x, grid.frame.width),
                    chebyshev_coordinate(cells[i].y, grid.frame.height), order,
                    std::span(design).subspan(i * terms, terms));
  }
  // From a scale that sees the whole range down to the noise, halving: each
  // surface starts close to the next one's optimum (graduated non-convexity).
  std::vector<double> copy = values;
  const double spread = quantile_in_place(copy, 0.95) - quantile_in_place(copy, 0.05);
  const double finest = std::max(grid.noise, 1e-6 * spread);
  std::vector<double> weights(cells.size());
  for (double scale = std::max(0.5 * spread, finest);; scale = std::max(0.5 * scale, finest)) {
    for (int pass = 0; pass < passes_per_scale; ++pass) {
      for (std::size_t i = 0; i < cells.size(); ++i) {
        const double r = cells[i].value - surface.evaluate({cells[i].x, cells[i].y});
        weights[i] = cells[i].weight * (scale > 0.0 ? lower_weight(r, scale) : 1.0);
      }
      auto fit = linear_least_squares(design, terms, values, weights);
      if (fit.status == FitStatus::singular) return surface;
      surface = {grid.frame, order, std::move(fit.coefficients)};
    }
    if (scale <= finest) break;
  }
  return surface;
}

int order_by_cross_validation(const CellGrid& grid, int highest) {
  const auto points = grid.free_points();
  std::vector<int> blocks;
  for (const auto& point : points) blocks.push_back(block_of(grid, point));
  std::vector<std::vector<double>> losses;
  for (int order = 0; order <= highest; ++order) {
    auto loss = block_losses(grid, points, blocks, order);
    if (loss.empty()) break;
    losses.push_back(std::move(loss));
  }
  if (losses.empty()) return 0;
  std::size_t best = 0;
  for (std::size_t k = 1; k < losses.size(); ++k) {
    if (mean(losses[k]) < mean(losses[best])) best = k;
  }
  // The lowest order whose loss, block by block, does not exceed the best one's by
  // more than the standard error of that difference (Hastie, Tibshirani & Friedman 2009, 7.10).
  for (std::size_t k = 0; k < best; ++k) {
    std::vector<double> more;
    for (std::size_t b = 0; b < losses[k].size(); ++b)
      more.push_back(losses[k][b] - losses[best][b]);
    const double error = standard_deviation(more) / std::sqrt(static_cast<double>(more.size()));
    if (mean(more) <= error) return static_cast<int>(k);
  }
  return static_cast<int>(best);
}

}  // namespace coldframe::sky
