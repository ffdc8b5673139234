// The mesh between its cells' centres.
#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "coldframe/stars/sky_mesh.hpp"
#include "stars/sky_kernel.hpp"
#include "stars/sky_pieces.hpp"

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

/// One quantity of the mesh along one image row.
class RowOfCells {
 public:
  RowOfCells(const Grid<float>& grid, int cell_px, double y) noexcept
      : grid_(grid), at_(locate(y, cell_px, grid.height())) {}
  [[nodiscard]] float at(double x, int cell_px) const noexcept {
    const Interval here = locate(x, cell_px, grid_.width());
    return horner(piece(here.cell, [&](int i) { return column_value(grid_, i, at_); }), here.share);
  }
  /// Every column's value at this row.
  [[nodiscard]] std::vector<float> columns() const {
    std::array<std::vector<float>, 2> beyond;
    std::array<const float*, 4> lines{};
    for (int k = 0; k < 4; ++k) {
      auto& made = beyond[k < 2 ? 0 : 1];  // of each pair at most one lies beyond an end
      lines[static_cast<std::size_t>(k)] = line(at_.cell - 1 + k, made);
    }
    std::vector<float> values(static_cast<std::size_t>(grid_.width()));
    for (std::size_t i = 0; i < values.size(); ++i) {
      values[i] = horner(cubic(lines[0][i], lines[1][i], lines[2][i], lines[3][i]), at_.share);
    }
    return values;
  }
  template <typename Column>
  [[nodiscard]] std::array<float, 4> piece(int cell, const Column& column) const noexcept {
    const auto value = [&](int i) { return continued(column, i, grid_.width()); };
    return cubic(value(cell - 1), value(cell), value(cell + 1), value(cell + 2));
  }

 private:
  /// Row j of cells, made by continuing the others where it lies beyond them.
  [[nodiscard]] const float* line(int j, std::vector<float>& made) const {
    if (j >= 0 && j < grid_.height()) return grid_.row(j).data();
    made.resize(static_cast<std::size_t>(grid_.width()));
    for (int i = 0; i < grid_.width(); ++i) {
      const auto cell = [&](int row) { return grid_(i, row); };
      made[static_cast<std::size_t>(i)] = continued(cell, j, grid_.height());
    }
    return made.data();
  }
  const Grid<float>& grid_;
  Interval at_;
};

/// Where the pieces of a row of `columns` cells lie: flat up to the first centre and from the
/// last one on, cubics between neighbouring centres.
class PieceOrder {
 public:
  explicit PieceOrder(const SkyMesh& sky) noexcept
      : cell_px_(sky.cell_px), columns_(sky.level.width()), width_(sky.frame.width) {}
  [[nodiscard]] int count() const noexcept { return columns_ < 2 ? 1 : columns_ + 1; }
  [[nodiscard]] int first(int k) const noexcept {
    return k == 0 ? 0 : std::min((k - 1) * cell_px_ + cell_px_ / 2, width_);
  }
  [[nodiscard]] int last(int k) const noexcept {
    return k + 1 == count() ? std::max(width_, first(k)) : first(k + 1);
  }
  [[nodiscard]] bool flat(int k) const noexcept { return k == 0 || k + 1 == count(); }
  [[nodiscard]] int offset(int k) const noexcept { return first(k) - (k - 1) * cell_px_; }

 private:
  int cell_px_;
  int columns_;
  int width_;
};

/// Coefficients of piece k.
std::array<float, 4> piece_of(const RowOfCells& row, const std::vector<float>& columns,
                              const PieceOrder& order, int k) noexcept {
  const auto column = [&](int i) { return columns[static_cast<std::size_t>(i)]; };
  if (k == 0) return {columns.front(), 0.0F, 0.0F, 0.0F};
  // Flat from the last centre on, at the last cubic's end.
  if (order.flat(k)) return {horner(row.piece(k - 2, column), 1.0F), 0.0F, 0.0F, 0.0F};
  return row.piece(k - 1, column);
}

/// The same values as `RowOfCells::at`: what a pixel gets depends on its column alone.
void fill_row(const SkyMesh& sky, const Grid<float>& grid, int y, int x0, std::span<float> out) {
  const RowOfCells row(grid, sky.cell_px, y);
  const std::vector<float> columns = row.columns();
  const PieceOrder order(sky);
  const float per_cell = 1.0F / static_cast<float>(sky.cell_px);
  const int x1 = x0 + static_cast<int>(out.size());
  for (int k = 0; k < order.count(); ++k) {
    const int first = std::max(order.first(k), x0);
    const int last = k + 1 == order.count() ? x1 : std::min(order.last(k), x1);
    if (first >= last) continue;
    const auto c = piece_of(row, columns, order, k);
    cubic_run(c.data(), order.offset(k) + first - order.first(k), per_cell,
              out.data() + (first - x0), static_cast<std::size_t>(last - first));
  }
}

}  // namespace

void sky_pieces(const SkyMesh& sky, int y, std::vector<SkyPiece>& pieces) {
  const RowOfCells level(sky.level, sky.cell_px, y);
  const RowOfCells noise(sky.noise, sky.cell_px, y);
  const std::vector<float> level_columns = level.columns();
  const std::vector<float> noise_columns = noise.columns();
  const PieceOrder order(sky);
  pieces.clear();
  for (int k = 0; k < order.count(); ++k) {
    const int count = order.last(k) - order.first(k);
    if (count <= 0) continue;
    pieces.push_back({order.first(k), count, order.offset(k),
                      piece_of(level, level_columns, order, k),
                      piece_of(noise, noise_columns, order, k)});
  }
}

float SkyMesh::level_at(double x, double y) const noexcept {
  return RowOfCells(level, cell_px, y).at(x, cell_px);
}
float SkyMesh::noise_at(double x, double y) const noexcept {
  return std::max(0.0F, RowOfCells(noise, cell_px, y).at(x, cell_px));
}
void SkyMesh::level_row(int y, int x0, std::span<float> out) const {
  fill_row(*this, level, y, x0, out);
}
void SkyMesh::noise_row(int y, int x0, std::span<float> out) const {
  fill_row(*this, noise, y, x0, out);
  for (float& v : out) v = std::max(0.0F, v);
}

}  // namespace coldframe::stars
