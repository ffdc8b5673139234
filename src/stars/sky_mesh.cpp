#include "coldframe/stars/sky_mesh.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "coldframe/core/statistics.hpp"
#include "stars/sky_cell.hpp"

namespace coldframe::stars {
namespace {

/// Good values of a rectangle, in row order.
void gather(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, const Rect& rect,
            const SkyMeshOptions& options, std::vector<float>& values) {
  values.clear();
  for (int y = rect.y0; y < rect.y1; ++y) {
    const auto row = image.row(y);
    const auto bad = mask.row(y);
    const bool mono = options.cfa == CfaPattern::none;
    // Greens lie on every other pixel of each row.
    const int first = mono || cfa_colour(options.cfa, rect.x0, y) == 1 ? rect.x0 : rect.x0 + 1;
    for (int x = first; x < rect.x1; x += mono ? 1 : 2) {
      const auto i = static_cast<std::size_t>(x);
      if (bad[i] == 0 && std::isfinite(row[i])) values.push_back(row[i]);
    }
  }
}

int cells_along(int length, int cell) noexcept { return std::max(1, length / cell); }

Rect cell_rect(const SkyMesh& mesh, int i, int j) noexcept {
  const int c = mesh.cell_px;
  return {i * c, j * c, i + 1 == mesh.level.width() ? mesh.frame.width : (i + 1) * c,
          j + 1 == mesh.level.height() ? mesh.frame.height : (j + 1) * c};
}

/// Median of the finite values within `half` cells of (i, j); NaN when there is none.
float neighbourhood_median(const Grid<float>& grid, int i, int j, int half, bool with_centre) {
  std::vector<float> values;
  for (int y = std::max(0, j - half); y <= std::min(grid.height() - 1, j + half); ++y) {
    for (int x = std::max(0, i - half); x <= std::min(grid.width() - 1, i + half); ++x) {
      const bool centre = x == i && y == j;
      if ((with_centre || !centre) && std::isfinite(grid(x, y))) values.push_back(grid(x, y));
    }
  }
  return values.empty() ? std::numeric_limits<float>::quiet_NaN() : median_in_place(values);
}

/// A cell whose noise is far above its neighbours' holds an object, not sky.
void drop_object_cells(SkyMesh& mesh) {
  const Grid<float> noise = mesh.noise.clone();
  for (int j = 0; j < noise.height(); ++j) {
    for (int i = 0; i < noise.width(); ++i) {
      const float around = neighbourhood_median(noise, i, j, 2, false);
      if (noise(i, j) > 2.0F * around && around > 0.0F) {
        mesh.level(i, j) = std::numeric_limits<float>::quiet_NaN();
        mesh.noise(i, j) = std::numeric_limits<float>::quiet_NaN();
      }
    }
  }
}

/// Fills NaN cells ring by ring from their neighbours; a grid without any stays NaN.
void fill_gaps(Grid<float>& grid) {
  const int rounds = std::max(grid.width(), grid.height());
  for (int round = 0; round < rounds; ++round) {
    const Grid<float> before = grid.clone();
    bool gaps = false;
    for (int j = 0; j < grid.height(); ++j) {
      for (int i = 0; i < grid.width(); ++i) {
        if (std::isfinite(before(i, j))) continue;
        grid(i, j) = neighbourhood_median(before, i, j, 1, false);
        gaps = gaps || !std::isfinite(grid(i, j));
      }
    }
    if (!gaps) return;
  }
}

void median_filter(Grid<float>& grid, int side) {
  if (side < 3) return;
  const Grid<float> before = grid.clone();
  for (int j = 0; j < grid.height(); ++j) {
    for (int i = 0; i < grid.width(); ++i) {
      grid(i, j) = neighbourhood_median(before, i, j, side / 2, true);
    }
  }
}

/// Cubic through four neighbours (Keys 1981, a = -1/2) as powers of the fraction.
std::array<float, 4> cubic(float p0, float p1, float p2, float p3) noexcept {
  return {p1, 0.5F * (p2 - p0), p0 - 2.5F * p1 + 2.0F * p2 - 0.5F * p3,
          1.5F * (p1 - p2) + 0.5F * (p3 - p0)};
}

float horner(const std::array<float, 4>& c, float f) noexcept {
  return c[0] + f * (c[1] + f * (c[2] + f * c[3]));
}

struct Interval {
  int cell = 0;    ///< left (lower) of the two centres
  float share = 0.0F;  ///< way to the next one, 0 .. 1
};

/// Flat beyond the outermost centres.
Interval locate(double position, int cell_px, int cells) noexcept {
  const double t = (position + 0.5) / cell_px - 0.5;
  if (t <= 0.0 || cells < 2) return {0, 0.0F};
  if (t >= cells - 1) return {cells - 2, 1.0F};
  const int cell = static_cast<int>(t);
  return {cell, static_cast<float>(t - cell)};
}

float column_value(const Grid<float>& grid, int i, const Interval& at) noexcept {
  const int last = grid.height() - 1;
  const auto value = [&](int j) { return grid(i, std::clamp(j, 0, last)); };
  return horner(cubic(value(at.cell - 1), value(at.cell), value(at.cell + 1), value(at.cell + 2)),
                at.share);
}

/// The mesh along one image row.
class RowOfCells {
 public:
  RowOfCells(const Grid<float>& grid, int cell_px, double y) noexcept
      : grid_(grid), cell_px_(cell_px), at_(locate(y, cell_px, grid.height())) {}
  [[nodiscard]] std::array<float, 4> piece(int cell) const noexcept {
    const int last = grid_.width() - 1;
    const auto value = [&](int i) { return column_value(grid_, std::clamp(i, 0, last), at_); };
    return cubic(value(cell - 1), value(cell), value(cell + 1), value(cell + 2));
  }
  [[nodiscard]] float at(double x) const noexcept {
    const Interval here = locate(x, cell_px_, grid_.width());
    return horner(piece(here.cell), here.share);
  }
  void fill(int x0, std::span<float> out) const noexcept {
    const int cells = grid_.width();
    std::size_t k = 0;
    while (k < out.size()) {
      const int x = x0 + static_cast<int>(k);
      const Interval here = locate(x, cell_px_, cells);
      const auto c = piece(here.cell);
      const std::size_t run = std::min(out.size() - k, run_length(x, here, cells));
      for (std::size_t r = 0; r < run; ++r) {
        const Interval point = locate(x + static_cast<int>(r), cell_px_, cells);
        out[k + r] = horner(c, point.share);
      }
      k += run;
    }
  }

 private:
  /// Pixels from x on that share the piece of x.
  [[nodiscard]] std::size_t run_length(int x, const Interval& here, int cells) const noexcept {
    if (cells < 2 || here.cell >= cells - 2) return static_cast<std::size_t>(1) << 30;
    const double next_centre = (here.cell + 1.5) * cell_px_ - 0.5;
    return static_cast<std::size_t>(std::max(1, static_cast<int>(std::ceil(next_centre)) - x));
  }
  const Grid<float>& grid_;
  int cell_px_;
  Interval at_;
};

double finite_median(const Grid<float>& grid) {
  std::vector<double> values;
  for (int j = 0; j < grid.height(); ++j) {
    for (const float v : grid.row(j)) {
      if (std::isfinite(v)) values.push_back(static_cast<double>(v));
    }
  }
  return values.empty() ? std::numeric_limits<double>::quiet_NaN() : median_in_place(values);
}

}  // namespace

float SkyMesh::level_at(double x, double y) const noexcept {
  return RowOfCells(level, cell_px, y).at(x);
}
float SkyMesh::noise_at(double x, double y) const noexcept {
  return std::max(0.0F, RowOfCells(noise, cell_px, y).at(x));
}
void SkyMesh::level_row(int y, int x0, std::span<float> out) const noexcept {
  RowOfCells(level, cell_px, y).fill(x0, out);
}
void SkyMesh::noise_row(int y, int x0, std::span<float> out) const noexcept {
  RowOfCells(noise, cell_px, y).fill(x0, out);
  for (float& v : out) v = std::max(0.0F, v);
}
double SkyMesh::median_level() const { return finite_median(level); }
double SkyMesh::median_noise() const { return finite_median(noise); }
SkyMesh SkyMesh::clone() const { return {cell_px, frame, level.clone(), noise.clone()}; }

SkyMesh measure_sky(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                    const SkyMeshOptions& options, Threads threads) {
  SkyMesh mesh;
  mesh.cell_px = std::max(16, options.cell_px);
  mesh.frame = image.size();
  const Size cells{cells_along(image.width(), mesh.cell_px), cells_along(image.height(), mesh.cell_px)};
  mesh.level = Grid<float>(cells);
  mesh.noise = Grid<float>(cells);
  const double kappa = std::max(2.0, options.kappa);
  parallel_for(threads, static_cast<std::size_t>(cells.height), [&](std::size_t row) {
    const int j = static_cast<int>(row);
    std::vector<float> values;
    for (int i = 0; i < cells.width; ++i) {
      gather(image, mask, cell_rect(mesh, i, j), options, values);
      const SkyCell cell = estimate_cell(values, kappa, options.max_iterations);
      const float none = std::numeric_limits<float>::quiet_NaN();
      mesh.level(i, j) = cell.valid ? cell.level : none;
      mesh.noise(i, j) = cell.valid ? cell.noise : none;
    }
  });
  drop_object_cells(mesh);
  for (Grid<float>* grid : {&mesh.level, &mesh.noise}) {
    fill_gaps(*grid);
    median_filter(*grid, options.filter_cells);
  }
  return mesh;
}

}  // namespace coldframe::stars
