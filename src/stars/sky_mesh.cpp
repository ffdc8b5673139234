#include "coldframe/stars/sky_mesh.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "coldframe/core/statistics.hpp"
#include "stars/sky_cell.hpp"
#include "stars/sky_without.hpp"

namespace coldframe::stars {
namespace {

/// Good values of a rectangle, in row order. Branch-free: each value is written and
/// the place moves on only when it was good.
class Gatherer {
 public:
  Gatherer(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, CfaPattern cfa,
           const Grid<float>* light) noexcept
      : image_(image), mask_(mask), cfa_(cfa), light_(light) {}

  std::span<const float> operator()(const Rect& rect) {
    const auto need = static_cast<std::size_t>(rect.count());
    if (values_.size() < need) values_.resize(need);
    float* to = values_.data();
    for (int y = rect.y0; y < rect.y1; ++y) {
      const float* row = image_.row(y).data();
      const float* light = light_ == nullptr ? nullptr : light_->row(y).data();
      const std::uint8_t* bad = mask_.row(y).data();
      const bool mono = cfa_ == CfaPattern::none;
      // Greens lie on every other pixel of each row.
      const int first = mono || cfa_colour(cfa_, rect.x0, y) == 1 ? rect.x0 : rect.x0 + 1;
      for (int x = first; x < rect.x1; x += mono ? 1 : 2) {
        *to = light == nullptr ? row[x] : row[x] - light[x];
        // Zero for finite values, NaN for the others.
        to += static_cast<int>(bad[x] == 0) & static_cast<int>(row[x] - row[x] == 0.0F);
      }
    }
    return {values_.data(), static_cast<std::size_t>(to - values_.data())};
  }

 private:
  PlaneView<const float> image_;
  PlaneView<const std::uint8_t> mask_;
  CfaPattern cfa_;
  const Grid<float>* light_;
  std::vector<float> values_;
};

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

/// Puts the median of its neighbourhood in the place of a cell that stands out from it; what
/// merely follows a gradient stays (at the frame's edge the median itself would be off).
void replace_outliers(Grid<float>& grid, const Grid<float>& noise, int side) {
  if (side < 3) return;
  const Grid<float> before = grid.clone();
  for (int j = 0; j < grid.height(); ++j) {
    for (int i = 0; i < grid.width(); ++i) {
      const float mid = neighbourhood_median(before, i, j, side / 2, true);
      std::vector<float> distances;
      for (int y = std::max(0, j - side / 2); y <= std::min(grid.height() - 1, j + side / 2); ++y) {
        for (int x = std::max(0, i - side / 2); x <= std::min(grid.width() - 1, i + side / 2);
             ++x) {
          distances.push_back(std::abs(before(x, y) - mid));
        }
      }
      const float scatter = static_cast<float>(mad_to_sigma) * median_in_place(distances);
      if (std::abs(before(i, j) - mid) > 2.5F * scatter + 0.05F * noise(i, j)) grid(i, j) = mid;
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
  int cell = 0;        ///< left (lower) of the two centres
  float share = 0.0F;  ///< way to the next one, 0 .. 1
};

/// Way from the centre of a cell to the next one, at `offset` px from the cell's first pixel.
inline float share_at(float offset, float per_cell) noexcept {
  return (offset + 0.5F) * per_cell - 0.5F;
}

/// Flat beyond the outermost centres.
Interval locate(double position, int cell_px, int cells) noexcept {
  const double t = (position + 0.5) / cell_px - 0.5;
  if (!(t > 0.0) || cells < 2) return {0, 0.0F};
  if (t >= cells - 1) return {cells - 2, 1.0F};
  const int cell = static_cast<int>(t);
  const auto offset = static_cast<float>(position - static_cast<double>(cell) * cell_px);
  return {cell, std::clamp(share_at(offset, 1.0F / static_cast<float>(cell_px)), 0.0F, 1.0F)};
}

/// Value k of a line of cells; one beyond either end continues the line straight.
template <typename Value>
float continued(const Value& value, int k, int count) noexcept {
  if (k < 0) return count > 1 ? 2.0F * value(0) - value(1) : value(0);
  if (k >= count) return count > 1 ? 2.0F * value(count - 1) - value(count - 2) : value(count - 1);
  return value(k);
}

float column_value(const Grid<float>& grid, int i, const Interval& at) noexcept {
  const auto cell = [&](int j) { return grid(i, j); };
  const auto value = [&](int j) { return continued(cell, j, grid.height()); };
  return horner(cubic(value(at.cell - 1), value(at.cell), value(at.cell + 1), value(at.cell + 2)),
                at.share);
}

/// The mesh along one image row.
class RowOfCells {
 public:
  RowOfCells(const Grid<float>& grid, int cell_px, double y) noexcept
      : grid_(grid), cell_px_(cell_px), at_(locate(y, cell_px, grid.height())) {}
  [[nodiscard]] std::array<float, 4> piece(int cell) const noexcept {
    const auto column = [&](int i) { return column_value(grid_, i, at_); };
    const auto value = [&](int i) { return continued(column, i, grid_.width()); };
    return cubic(value(cell - 1), value(cell), value(cell + 1), value(cell + 2));
  }
  [[nodiscard]] float at(double x) const noexcept {
    const Interval here = locate(x, cell_px_, grid_.width());
    return horner(piece(here.cell), here.share);
  }
  /// The same values as `at`, piece by piece: what a pixel gets depends on its column alone.
  void fill(int x0, std::span<float> out) const noexcept {
    std::size_t k = 0;
    while (k < out.size()) {
      const int x = x0 + static_cast<int>(k);
      const std::size_t run = std::min(out.size() - k, run_length(x));
      const Interval here = locate(x, cell_px_, grid_.width());
      if (flat(x)) {
        std::fill_n(out.begin() + static_cast<std::ptrdiff_t>(k), run, at(x));
      } else {
        fill_piece(piece(here.cell), x - here.cell * cell_px_, out.subspan(k, run));
      }
      k += run;
    }
  }

 private:
  void fill_piece(const std::array<float, 4>& c, int offset, std::span<float> out) const noexcept {
    const float per_cell = 1.0F / static_cast<float>(cell_px_);
    float* to = out.data();
    const int n = static_cast<int>(out.size());
    for (int r = 0; r < n; ++r) {
      to[r] = horner(c, share_at(static_cast<float>(offset + r), per_cell));
    }
  }
  /// First column at or beyond the centre of a cell.
  [[nodiscard]] int first_beyond(int cell) const noexcept { return cell * cell_px_ + cell_px_ / 2; }
  [[nodiscard]] bool flat(int x) const noexcept {
    return grid_.width() < 2 || x < first_beyond(0) || x >= first_beyond(grid_.width() - 1);
  }
  /// Pixels from x on that share its piece.
  [[nodiscard]] std::size_t run_length(int x) const noexcept {
    constexpr std::size_t endless = std::size_t{1} << 30;
    if (grid_.width() < 2 || x >= first_beyond(grid_.width() - 1)) return endless;
    if (x < first_beyond(0)) return static_cast<std::size_t>(first_beyond(0) - x);
    const int cell = (x - cell_px_ / 2) / cell_px_;
    return static_cast<std::size_t>(first_beyond(cell + 1) - x);
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
  return measure_sky_without(image, mask, nullptr, options, threads);
}

SkyMesh measure_sky_without(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                            const Grid<float>* light, const SkyMeshOptions& options,
                            Threads threads) {
  SkyMesh mesh;
  mesh.cell_px = std::max(16, options.cell_px);
  mesh.frame = image.size();
  const Size cells{cells_along(image.width(), mesh.cell_px),
                   cells_along(image.height(), mesh.cell_px)};
  mesh.level = Grid<float>(cells);
  mesh.noise = Grid<float>(cells);
  const CellClipping clipping(std::max(2.0, options.kappa), options.max_iterations);
  parallel_for(threads, static_cast<std::size_t>(cells.height), [&](std::size_t row) {
    const int j = static_cast<int>(row);
    Gatherer gather(image, mask, options.cfa, light);
    for (int i = 0; i < cells.width; ++i) {
      const SkyCell cell = estimate_cell(gather(cell_rect(mesh, i, j)), clipping);
      const float none = std::numeric_limits<float>::quiet_NaN();
      mesh.level(i, j) = cell.valid ? cell.level : none;
      mesh.noise(i, j) = cell.valid ? cell.noise : none;
    }
  });
  drop_object_cells(mesh);
  fill_gaps(mesh.level);
  fill_gaps(mesh.noise);
  if (!std::isfinite(mesh.level(0, 0))) return mesh;  // no cell had any sky
  replace_outliers(mesh.level, mesh.noise, options.filter_cells);
  const Grid<float> noise = mesh.noise.clone();
  replace_outliers(mesh.noise, noise, options.filter_cells);
  return mesh;
}

}  // namespace coldframe::stars
