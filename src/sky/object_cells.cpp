#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/statistics.hpp"
#include "sky_cells.hpp"

namespace coldframe::sky {
namespace {

constexpr int smooth_reach = 2;
constexpr std::size_t star_cells = 16;
constexpr double far_away = 1e30;

struct Residuals {
  std::vector<double> plain;
  std::vector<double> smooth;
};

/// Cells minus surface, and the same under a Gaussian of one cell (normalised over cells with
/// data).
Residuals residuals_of(const CellGrid& grid, const ChebyshevSurface& surface) {
  Residuals r;
  r.plain.assign(grid.cells.size(), 0.0);
  for (std::size_t i = 0; i < grid.cells.size(); ++i) {
    const auto& cell = grid.cells[i];
    if (cell.weight > 0.0) r.plain[i] = cell.value - surface.evaluate({cell.x, cell.y});
  }
  r.smooth.assign(grid.cells.size(), 0.0);
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      double sum = 0.0;
      double norm = 0.0;
      for (int dy = -smooth_reach; dy <= smooth_reach; ++dy) {
        for (int dx = -smooth_reach; dx <= smooth_reach; ++dx) {
          const int x = column + dx;
          const int y = row + dy;
          if (x < 0 || y < 0 || x >= grid.columns || y >= grid.rows) continue;
          const auto i = grid.index(x, y);
          const double weight = std::exp(-0.5 * (dx * dx + dy * dy)) * grid.cells[i].weight;
          sum += weight * r.plain[i];
          norm += weight;
        }
      }
      if (norm > 0.0) r.smooth[grid.index(column, row)] = sum / norm;
    }
  }
  return r;
}

struct Level {
  double centre = 0.0;
  double sigma = 0.0;
};

/// Sky among the smoothed residuals: where the lower side of their distribution lies.
/// Objects sit on the upper side only, so what is below the centre tells the noise.
Level sky_level(const CellGrid& grid, const std::vector<double>& smooth) {
  std::vector<double> values;
  for (std::size_t i = 0; i < smooth.size(); ++i) {
    if (grid.cells[i].weight > 0.0) values.push_back(smooth[i]);
  }
  Level level;
  if (values.size() < 4) return level;
  const double floor = 0.25 * grid.noise;  // a Gaussian of one cell leaves 0.28 of white noise
  level.centre = median(values);
  for (int pass = 0; pass < 30; ++pass) {
    std::vector<double> below;
    for (const double v : values) {
      if (v <= level.centre) below.push_back(level.centre - v);
    }
    if (below.empty()) break;
    level.sigma = std::max(mad_to_sigma * median_in_place(below), floor);
    std::vector<double> near;
    for (const double v : values) {
      if (std::abs(v - level.centre) <= 2.0 * level.sigma) near.push_back(v);
    }
    if (near.empty()) break;
    const double centre = median_in_place(near);
    const bool settled = std::abs(centre - level.centre) < 1e-3 * level.sigma;
    level.centre = centre;
    if (settled) break;
  }
  return level;
}

/// Cells of one connected group (eight neighbours) above `edge`, starting at `seed`.
std::vector<std::size_t> connected(const CellGrid& grid, const std::vector<double>& above,
                                   double edge, std::size_t seed, std::vector<char>& seen) {
  std::vector<std::size_t> group{seed};
  seen[seed] = 1;
  for (std::size_t k = 0; k < group.size(); ++k) {
    const int column = static_cast<int>(group[k] % static_cast<std::size_t>(grid.columns));
    const int row = static_cast<int>(group[k] / static_cast<std::size_t>(grid.columns));
    for (int y = std::max(row - 1, 0); y <= std::min(row + 1, grid.rows - 1); ++y) {
      for (int x = std::max(column - 1, 0); x <= std::min(column + 1, grid.columns - 1); ++x) {
        const auto i = grid.index(x, y);
        if (seen[i] != 0 || above[i] <= edge || grid.cells[i].weight <= 0.0) continue;
        seen[i] = 1;
        group.push_back(i);
      }
    }
  }
  return group;
}

/// Room around a group. Stars get one cell (smoothing has already widened them); what
/// falls below the threshold of a large object reaches farther out.
void cover_with_room(CellGrid& grid, const std::vector<std::size_t>& group, int grow_cells) {
  const double radius = std::sqrt(static_cast<double>(group.size()) / std::numbers::pi);
  const double reach =
      group.size() < star_cells ? std::min(grow_cells, 1) : grow_cells + 0.15 * radius;
  const int steps = static_cast<int>(reach);
  for (const auto member : group) {
    const int column = static_cast<int>(member % static_cast<std::size_t>(grid.columns));
    const int row = static_cast<int>(member / static_cast<std::size_t>(grid.columns));
    for (int y = std::max(row - steps, 0); y <= std::min(row + steps, grid.rows - 1); ++y) {
      for (int x = std::max(column - steps, 0); x <= std::min(column + steps, grid.columns - 1);
           ++x) {
        const double distance = std::hypot(x - column, y - row);
        if (distance <= reach) grid.covered[grid.index(x, y)] = 1;
      }
    }
  }
}

}  // namespace

void mark_objects(CellGrid& grid, const ChebyshevSurface& surface, const GradientOptions& options) {
  const auto residuals = residuals_of(grid, surface);
  const auto level = sky_level(grid, residuals.smooth);
  std::fill(grid.covered.begin(), grid.covered.end(), static_cast<char>(0));
  const double sigma = level.sigma > 0.0 ? level.sigma : far_away;
  const double edge = level.centre + options.object_sigma * sigma;
  const double peak = level.centre + 2.0 * options.object_sigma * sigma;
  std::vector<char> seen(grid.cells.size(), 0);
  std::vector<std::vector<std::size_t>> groups;
  for (std::size_t i = 0; i < grid.cells.size(); ++i) {
    if (seen[i] != 0 || grid.cells[i].weight <= 0.0 || residuals.smooth[i] <= peak) continue;
    groups.push_back(connected(grid, residuals.smooth, edge, i, seen));
  }
  for (const auto& group : groups) cover_with_room(grid, group, options.grow_cells);
}

}  // namespace coldframe::sky
