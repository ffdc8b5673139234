#include "coldframe/stars/sky_mesh.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <vector>

#include "coldframe/core/statistics.hpp"
#include "stars/sky_cell.hpp"
#include "stars/sky_kernel.hpp"
#include "stars/sky_without.hpp"

namespace coldframe::stars {
namespace {

/// Good values of a rectangle, in row order.
class Gatherer {
 public:
  Gatherer(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, CfaPattern cfa,
           const Grid<float>* light) noexcept
      : image_(image), mask_(mask), cfa_(cfa), light_(light) {}

  std::span<const float> operator()(const Rect& rect) {
    const auto need = static_cast<std::size_t>(rect.count());
    if (values_.size() < need) values_.resize(need);
    float* to = values_.data();
    const bool plain = cfa_ == CfaPattern::none && light_ == nullptr;
    const auto width = static_cast<std::size_t>(rect.width());
    for (int y = rect.y0; y < rect.y1; ++y) {
      const float* const row = image_.row(y).data() + rect.x0;
      if (plain && copy_good(row, mask_.row(y).data() + rect.x0, width, to)) {
        to += width;
      } else {
        to = choose(rect, y, to);
      }
    }
    return {values_.data(), static_cast<std::size_t>(to - values_.data())};
  }

 private:
  /// Branch-free: each value is written and the place moves on only when it was good.
  float* choose(const Rect& rect, int y, float* to) const noexcept {
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
    return to;
  }

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

/// Values of a small neighbourhood, sorted as they come.
class SmallSample {
 public:
  void add(float value) noexcept {
    std::size_t at = count_++;
    for (; at > 0 && values_[at - 1] > value; --at) values_[at] = values_[at - 1];
    values_[at] = value;
  }
  [[nodiscard]] bool full() const noexcept { return count_ == values_.size(); }
  /// NaN when empty.
  [[nodiscard]] float median() const noexcept {
    if (count_ == 0) return std::numeric_limits<float>::quiet_NaN();
    const std::size_t mid = count_ / 2;
    if (count_ % 2 == 1) return values_[mid];
    return static_cast<float>(
        0.5 * (static_cast<double>(values_[mid - 1]) + static_cast<double>(values_[mid])));
  }

 private:
  std::array<float, 64> values_;
  std::size_t count_ = 0;
};

/// Median of the finite values within `half` cells of (i, j); NaN when there is none.
float neighbourhood_median(const Grid<float>& grid, int i, int j, int half,
                           bool with_centre) noexcept {
  SmallSample values;
  for (int y = std::max(0, j - half); y <= std::min(grid.height() - 1, j + half); ++y) {
    for (int x = std::max(0, i - half); x <= std::min(grid.width() - 1, i + half); ++x) {
      const bool centre = x == i && y == j;
      const float value = grid(x, y);
      if ((with_centre || !centre) && std::isfinite(value) && !values.full()) values.add(value);
    }
  }
  return values.median();
}

/// Median distance from `mid` of the values within `half` cells of (i, j).
float neighbourhood_scatter(const Grid<float>& grid, int i, int j, int half, float mid) noexcept {
  SmallSample distances;
  for (int y = std::max(0, j - half); y <= std::min(grid.height() - 1, j + half); ++y) {
    for (int x = std::max(0, i - half); x <= std::min(grid.width() - 1, i + half); ++x) {
      if (!distances.full()) distances.add(std::abs(grid(x, y) - mid));
    }
  }
  return static_cast<float>(mad_to_sigma) * distances.median();
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
      const float scatter = neighbourhood_scatter(before, i, j, side / 2, mid);
      if (std::abs(before(i, j) - mid) > 2.5F * scatter + 0.05F * noise(i, j)) grid(i, j) = mid;
    }
  }
}

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
