#include "sky_cells.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sky {
namespace {

constexpr int least_cells_per_side = 16;
constexpr int smallest_cell = 4;
constexpr double least_good_share = 0.25;

int cell_size(Size frame, int wanted) {
  const int side = std::min(frame.width, frame.height);
  return std::clamp(side / least_cells_per_side, smallest_cell, std::max(wanted, smallest_cell));
}

/// Median of the values within kappa robust scales, cutting harder above (stars) than below.
double clipped_median(std::vector<float>& values) {
  auto end = values.end();
  double centre = 0.0;
  std::vector<float> deviations;
  for (int pass = 0; pass < 4; ++pass) {
    const std::span<float> kept(values.begin(), end);
    centre = static_cast<double>(median_in_place(kept));
    deviations.assign(kept.begin(), kept.end());
    for (float& d : deviations) d = std::abs(d - static_cast<float>(centre));
    const double sigma =
        mad_to_sigma * static_cast<double>(median_in_place(std::span<float>(deviations)));
    const auto low = static_cast<float>(centre - 3.5 * sigma);
    const auto high = static_cast<float>(centre + 2.5 * sigma);
    const auto cut =
        std::partition(values.begin(), end, [&](float v) { return v >= low && v <= high; });
    if (cut == end || cut == values.begin()) break;
    end = cut;
  }
  return centre;
}

struct Planes {
  PlaneView<const float> image;
  PlaneView<const std::uint8_t> mask;
  PlaneView<const float> weight;
};

SkyCell sample_cell(const Planes& planes, const Rect& rect, std::vector<float>& values,
                    double& coverage) {
  values.clear();
  double sum_x = 0.0;
  double sum_y = 0.0;
  coverage = 0.0;
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) {
      if (!planes.weight.empty() && std::isfinite(planes.weight(x, y))) {
        coverage += static_cast<double>(planes.weight(x, y));
      }
      if (!planes.mask.empty() && planes.mask(x, y) != 0) continue;
      const float value = planes.image(x, y);
      if (!std::isfinite(value)) continue;
      values.push_back(value);
      sum_x += x;
      sum_y += y;
    }
  }
  coverage /= static_cast<double>(rect.count());
  SkyCell cell;
  const auto good = static_cast<double>(values.size());
  const double share = good / static_cast<double>(rect.count());
  if (share < least_good_share) return cell;
  cell.x = sum_x / good;
  cell.y = sum_y / good;
  cell.value = clipped_median(values);
  cell.weight = share;
  return cell;
}

/// Cells that few subs reach have a sky of their own (other nights, edges of flats).
void drop_thin_coverage(CellGrid& grid, std::vector<double>& coverage, double least_share) {
  std::vector<double> copy = coverage;
  const double fullest = quantile_in_place(copy, 0.98);
  for (std::size_t i = 0; i < coverage.size(); ++i) {
    if (coverage[i] < least_share * fullest) grid.cells[i].weight = 0.0;
  }
}

double noise_of_neighbours(const CellGrid& grid) {
  std::vector<double> steps;
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column + 1 < grid.columns; ++column) {
      const auto& a = grid.cells[grid.index(column, row)];
      const auto& b = grid.cells[grid.index(column + 1, row)];
      if (a.weight > 0.0 && b.weight > 0.0) steps.push_back((b.value - a.value) / std::sqrt(2.0));
    }
  }
  return steps.size() < 2 ? 0.0 : mad_to_sigma * median_absolute_deviation(steps);
}

}  // namespace

std::size_t CellGrid::with_data() const noexcept {
  return static_cast<std::size_t>(std::count_if(
      cells.begin(), cells.end(), [](const SkyCell& cell) { return cell.weight > 0.0; }));
}

std::size_t CellGrid::free() const noexcept {
  std::size_t count = 0;
  for (std::size_t i = 0; i < cells.size(); ++i)
    count += cells[i].weight > 0.0 && covered[i] == 0 ? 1U : 0U;
  return count;
}

double CellGrid::free_share() const noexcept {
  const auto all = with_data();
  return all == 0 ? 0.0 : static_cast<double>(free()) / static_cast<double>(all);
}

std::vector<SurfacePoint> CellGrid::free_points() const {
  std::vector<SurfacePoint> points;
  for (std::size_t i = 0; i < cells.size(); ++i) {
    const auto& cell = cells[i];
    if (cell.weight > 0.0 && covered[i] == 0)
      points.push_back({cell.x, cell.y, cell.value, cell.weight});
  }
  return points;
}

CellGrid sample_cells(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                      PlaneView<const float> weight, const GradientOptions& options,
                      Threads threads) {
  CellGrid grid;
  grid.frame = image.size();
  if (image.empty()) return grid;
  const int cell = cell_size(image.size(), options.bin_px);
  // Whole cells only: the last of a row or column takes the remainder in.
  grid.columns = std::max(image.width() / cell, 1);
  grid.rows = std::max(image.height() / cell, 1);
  const auto count = static_cast<std::size_t>(grid.columns) * static_cast<std::size_t>(grid.rows);
  grid.cells.resize(count);
  grid.covered.assign(count, 0);
  std::vector<double> coverage(count, 1.0);
  const Planes planes{image, mask, weight};
  parallel_for(threads, static_cast<std::size_t>(grid.rows), [&](std::size_t r) {
    const int row = static_cast<int>(r);
    std::vector<float> values;
    for (int column = 0; column < grid.columns; ++column) {
      const Rect rect{column * cell, row * cell,
                      column + 1 == grid.columns ? image.width() : (column + 1) * cell,
                      row + 1 == grid.rows ? image.height() : (row + 1) * cell};
      const auto i = grid.index(column, row);
      grid.cells[i] = sample_cell(planes, rect, values, coverage[i]);
    }
  });
  if (!weight.empty()) drop_thin_coverage(grid, coverage, options.min_coverage);
  grid.noise = noise_of_neighbours(grid);
  return grid;
}

}  // namespace coldframe::sky
