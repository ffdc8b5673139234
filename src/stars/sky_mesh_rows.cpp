// The mesh between its cells' centres.
#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "coldframe/stars/sky_mesh.hpp"
#include "stars/sky_kernel.hpp"

namespace coldframe::stars {
namespace {

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
  void fill(int x0, std::span<float> out) const {
    std::vector<float> columns(static_cast<std::size_t>(grid_.width()));
    for (std::size_t i = 0; i < columns.size(); ++i) {
      columns[i] = column_value(grid_, static_cast<int>(i), at_);
    }
    const auto piece_of = [&](int cell) {
      const auto column = [&](int i) { return columns[static_cast<std::size_t>(i)]; };
      const auto value = [&](int i) { return continued(column, i, grid_.width()); };
      return cubic(value(cell - 1), value(cell), value(cell + 1), value(cell + 2));
    };
    const float per_cell = 1.0F / static_cast<float>(cell_px_);
    std::size_t k = 0;
    while (k < out.size()) {
      const int x = x0 + static_cast<int>(k);
      const std::size_t run = std::min(out.size() - k, run_length(x));
      if (flat(x)) {
        std::fill_n(out.begin() + static_cast<std::ptrdiff_t>(k), run, at(x));
      } else {
        const int cell = (x - cell_px_ / 2) / cell_px_;
        const auto c = piece_of(cell);
        cubic_run(c.data(), x - cell * cell_px_, per_cell, out.data() + k, run);
      }
      k += run;
    }
  }

 private:
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

}  // namespace

float SkyMesh::level_at(double x, double y) const noexcept {
  return RowOfCells(level, cell_px, y).at(x);
}
float SkyMesh::noise_at(double x, double y) const noexcept {
  return std::max(0.0F, RowOfCells(noise, cell_px, y).at(x));
}
void SkyMesh::level_row(int y, int x0, std::span<float> out) const {
  RowOfCells(level, cell_px, y).fill(x0, out);
}
void SkyMesh::noise_row(int y, int x0, std::span<float> out) const {
  RowOfCells(noise, cell_px, y).fill(x0, out);
  for (float& v : out) v = std::max(0.0F, v);
}

}  // namespace coldframe::stars
