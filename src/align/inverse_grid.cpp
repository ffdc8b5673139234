#include "align/inverse_grid.hpp"

#include <cmath>
#include <limits>

namespace coldframe::align {
namespace {

constexpr double no_answer = std::numeric_limits<double>::quiet_NaN();

// Floor division for positive divisors.
int cell_of(int value, int spacing) noexcept {
  return value >= 0 ? value / spacing : -((-value + spacing - 1) / spacing);
}

// Weights of nodes -1, 0, 1, 2 at fraction f of the cell between nodes 0 and 1.
constexpr std::array<double, 4> lagrange(double f) noexcept {
  return {-f * (f - 1.0) * (f - 2.0) / 6.0, (f + 1.0) * (f - 1.0) * (f - 2.0) / 2.0,
          -(f + 1.0) * f * (f - 2.0) / 2.0, (f + 1.0) * f * (f - 1.0) / 6.0};
}

// The same at every pixel of a cell.
template <std::size_t steps>
constexpr std::array<std::array<double, 4>, steps> lagrange_table() noexcept {
  std::array<std::array<double, 4>, steps> table{};
  for (std::size_t i = 0; i < steps; ++i) {
    table[i] = lagrange(static_cast<double>(i) / static_cast<double>(steps));
  }
  return table;
}

}  // namespace

InverseGrid::InverseGrid(const Transform& sub_to_reference, const Rect& destination)
    : forward_(sub_to_reference) {
  Transform linear;
  linear.matrix = forward_.matrix;
  const auto inverse = linear.inverse();
  invertible_ = inverse.has_value();
  if (!invertible_) return;
  inverse_ = inverse->matrix;
  if (!forward_.polynomial || destination.empty()) return;
  first_column_ = cell_of(destination.x0, spacing) - 1;
  first_row_ = cell_of(destination.y0, spacing) - 1;
  columns_ = cell_of(destination.x1 - 1, spacing) + 3 - first_column_;
  rows_ = cell_of(destination.y1 - 1, spacing) + 3 - first_row_;
  nodes_.resize(static_cast<std::size_t>(columns_) * static_cast<std::size_t>(rows_) * 3);
  row_nodes_.resize(static_cast<std::size_t>(columns_) * 3);
  double* out = nodes_.data();
  for (int r = 0; r < rows_; ++r) {
    for (int c = 0; c < columns_; ++c, out += 3) {
      const Point grid{static_cast<double>((first_column_ + c) * spacing),
                       static_cast<double>((first_row_ + r) * spacing)};
      const auto inverted = invert(grid);
      out[0] = inverted.source.x;
      out[1] = inverted.source.y;
      out[2] = inverted.area;
    }
  }
}

const double* InverseGrid::node(int column, int row) const {
  return nodes_.data() +
         (static_cast<std::size_t>(row - first_row_) * static_cast<std::size_t>(columns_) +
          static_cast<std::size_t>(column - first_column_)) *
             3;
}

InverseGrid::Inverted InverseGrid::invert(Point destination) const {
  Inverted result{{no_answer, no_answer}, no_answer};
  if (!invertible_) return result;
  const auto& m = inverse_;
  const double w = m[6] * destination.x + m[7] * destination.y + m[8];
  Point guess{(m[0] * destination.x + m[1] * destination.y + m[2]) / w,
              (m[3] * destination.x + m[4] * destination.y + m[5]) / w};
  if (!forward_.polynomial) {
    const double det = m[0] * (m[4] * m[8] - m[5] * m[7]) - m[1] * (m[3] * m[8] - m[5] * m[6]) +
                       m[2] * (m[3] * m[7] - m[4] * m[6]);
    return {guess, std::fabs(det / (w * w * w))};
  }
  // Newton from the affine part, the same start for everybody who asks.
  constexpr int most_steps = 30;
  for (int step = 0; step < most_steps; ++step) {
    const auto e = forward_.polynomial->local(guess);
    const auto& j = e.jacobian;
    const double det = e.determinant();
    if (!(std::fabs(det) > 0.0)) return result;
    const double ex = destination.x - e.value.x;
    const double ey = destination.y - e.value.y;
    const double dx = (j[3] * ex - j[1] * ey) / det;
    const double dy = (j[0] * ey - j[2] * ex) / det;
    guess.x += dx;
    guess.y += dy;
    if (std::fabs(dx) + std::fabs(dy) < 1e-8) return {guess, 1.0 / std::fabs(det)};
  }
  return result;
}

Point InverseGrid::at(Point destination) const { return invert(destination).source; }

InverseGrid::Line InverseGrid::line(int y) const noexcept {
  const auto& m = inverse_;
  const double det = m[0] * (m[4] * m[8] - m[5] * m[7]) - m[1] * (m[3] * m[8] - m[5] * m[6]) +
                     m[2] * (m[3] * m[7] - m[4] * m[6]);
  return {m[0] / m[8], (m[1] * y + m[2]) / m[8], m[3] / m[8], (m[4] * y + m[5]) / m[8],
          std::fabs(det / (m[8] * m[8] * m[8]))};
}

void InverseGrid::matrix_row(int x0, int y, int n, double* sx, double* sy, double* area) const {
  if (linear()) {
    const Line l = line(y);
    for (int i = 0; i < n; ++i) {
      const double x = x0 + i;
      sx[i] = l.xs * x + l.xo;
      sy[i] = l.ys * x + l.yo;
      area[i] = l.area;
    }
    return;
  }
  const auto& m = inverse_;
  const double xc = m[1] * y + m[2];
  const double yc = m[4] * y + m[5];
  const double wc = m[7] * y + m[8];
  const double det = m[0] * (m[4] * m[8] - m[5] * m[7]) - m[1] * (m[3] * m[8] - m[5] * m[6]) +
                     m[2] * (m[3] * m[7] - m[4] * m[6]);
  for (int i = 0; i < n; ++i) {
    const double x = x0 + i;
    const double w = m[6] * x + wc;
    sx[i] = (m[0] * x + xc) / w;
    sy[i] = (m[3] * x + yc) / w;
    area[i] = std::fabs(det / (w * w * w));
  }
}

void InverseGrid::prepare_row(int y) {
  if (prepared_ && prepared_row_ == y) return;
  prepared_ = true;
  prepared_row_ = y;
  const int cell = cell_of(y, spacing);
  const auto w = lagrange(static_cast<double>(y - cell * spacing) / spacing);
  const double* n0 = node(first_column_, cell - 1);
  const double* n1 = node(first_column_, cell);
  const double* n2 = node(first_column_, cell + 1);
  const double* n3 = node(first_column_, cell + 2);
  for (std::size_t i = 0; i < row_nodes_.size(); ++i) {
    row_nodes_[i] = ((w[0] * n0[i] + w[1] * n1[i]) + w[2] * n2[i]) + w[3] * n3[i];
  }
}

void InverseGrid::row(int x0, int y, int n, double* sx, double* sy, double* area) {
  if (!invertible_) {
    for (int i = 0; i < n; ++i) sx[i] = sy[i] = area[i] = no_answer;
    return;
  }
  if (!forward_.polynomial) return matrix_row(x0, y, n, sx, sy, area);
  prepare_row(y);
  static constexpr auto table = lagrange_table<spacing>();
  for (int i = 0; i < n;) {
    const int cell = cell_of(x0 + i, spacing);
    const double* c = row_nodes_.data() + static_cast<std::size_t>(cell - 1 - first_column_) * 3;
    const int end = (cell + 1) * spacing - x0 < n ? (cell + 1) * spacing - x0 : n;
    for (; i < end; ++i) {
      const auto& w = table[static_cast<std::size_t>(x0 + i - cell * spacing)];
      sx[i] = ((w[0] * c[0] + w[1] * c[3]) + w[2] * c[6]) + w[3] * c[9];
      sy[i] = ((w[0] * c[1] + w[1] * c[4]) + w[2] * c[7]) + w[3] * c[10];
      area[i] = ((w[0] * c[2] + w[1] * c[5]) + w[2] * c[8]) + w[3] * c[11];
    }
  }
}

}  // namespace coldframe::align
