// The owner's regions, and what the model may have taken of an object.
#include <algorithm>
#include <cmath>

#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"
#include "sky_cells.hpp"

namespace coldframe::sky {
namespace {

constexpr int draws = 3;
constexpr std::uint64_t seed = 20;  // any fixed one

// Light of the objects in covered cells above the fitted sky; the noise of cells below it is not
// taken for a lack of light.
std::vector<double> object_light(const CellGrid& grid, const GradientModel& model) {
  std::vector<double> light(grid.cells.size(), 0.0);
  for (std::size_t i = 0; i < light.size(); ++i) {
    const auto& cell = grid.cells[i];
    if (cell.weight <= 0.0 || grid.covered[i] == 0) continue;
    light[i] = std::max(cell.value - model.at(cell.x, cell.y), 0.0);
  }
  return light;
}

}  // namespace

bool inside(const Polygon& polygon, Point p) noexcept {
  bool in = false;
  for (std::size_t i = 0, j = polygon.size() - 1; i < polygon.size(); j = i++) {
    const Point a = polygon[i];
    const Point b = polygon[j];
    if ((a.y > p.y) == (b.y > p.y)) continue;
    if (p.x < (b.x - a.x) * (p.y - a.y) / (b.y - a.y) + a.x) in = !in;
  }
  return in;
}

void apply_regions(CellGrid& grid, const GradientOptions& options) {
  if (options.protect.empty() && options.sample.empty()) return;
  for (std::size_t i = 0; i < grid.cells.size(); ++i) {
    const auto& cell = grid.cells[i];
    if (cell.weight <= 0.0) continue;
    const Point middle{cell.x, cell.y};
    const auto holds = [&](const Polygon& polygon) { return inside(polygon, middle); };
    if (std::any_of(options.sample.begin(), options.sample.end(), holds)) grid.covered[i] = 0;
    // Protection goes before: light once taken is lost.
    if (std::any_of(options.protect.begin(), options.protect.end(), holds)) grid.covered[i] = 1;
  }
}

std::optional<double> taken_share(const CellGrid& grid, const GradientModel& model,
                                  const GradientOptions& options) {
  const auto light = object_light(grid, model);
  double put_in = 0.0;
  for (const double value : light) put_in += value;
  if (!(put_in > 0.0)) return std::nullopt;
  double taken = 0.0;
  int counted = 0;
  for (int draw = 0; draw < draws; ++draw) {
    CellGrid again = grid;
    RandomStream random(seed, 0, static_cast<std::uint64_t>(draw));
    for (std::size_t i = 0; i < again.cells.size(); ++i) {
      auto& cell = again.cells[i];
      const double noise = grid.noise * random.normal();  // drawn for all, used or not
      if (cell.weight > 0.0) cell.value = model.at(cell.x, cell.y) + light[i] + noise;
    }
    const auto refit = fit_cells(again, options);
    if (refit.status != GradientStatus::fitted) continue;
    ++counted;
    for (std::size_t i = 0; i < again.cells.size(); ++i) {
      const auto& cell = grid.cells[i];
      if (light[i] > 0.0) taken += refit.at(cell.x, cell.y) - model.at(cell.x, cell.y);
    }
  }
  if (counted == 0) return std::nullopt;
  return taken / counted / put_in;
}

}  // namespace coldframe::sky
