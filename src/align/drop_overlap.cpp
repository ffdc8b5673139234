#include "align/drop_overlap.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::align {
namespace {

constexpr int most_pixels = 256;

// Pixel edges at integers: the corner system of the box's first pixel.
struct Canvas {
  double* area;
  int width;  // of a row of cells, one spare cell at the end included
  int height;
};

// A piece of an edge inside one cell. `dy` is its signed height, `x_mid` the middle of its x. All
// cells to the right gain dy; its own gains the part to the right of the piece.
void cell_piece(const Canvas& canvas, int row, double x_mid, double dy) noexcept {
  const int column = std::clamp(static_cast<int>(x_mid), 0, canvas.width - 2);
  const double right = (column + 1) - x_mid;
  double* cell = canvas.area + row * canvas.width + column;
  cell[0] += dy * right;
  cell[1] += dy * (1.0 - right);
}

// A piece of an edge inside one row of cells, from (xa, ya) to (xb, yb).
void row_piece(const Canvas& canvas, int row, double xa, double xb, double dy) noexcept {
  const double low = std::min(xa, xb), high = std::max(xa, xb);
  const double first = std::floor(low);
  if (high <= first + 1.0) return cell_piece(canvas, row, 0.5 * (xa + xb), dy);
  const double per_x = dy / (high - low);
  double from = low;
  for (double edge = first + 1.0; from < high; edge += 1.0) {
    const double to = std::min(edge, high);
    cell_piece(canvas, row, 0.5 * (from + to), per_x * (to - from));
    from = to;
  }
}

void add_edge(const Canvas& canvas, Point a, Point b, double hand) noexcept {
  if (a.y == b.y) return;
  const bool up = b.y > a.y;
  const Point low = up ? a : b, high = up ? b : a;
  const double sign = up ? -hand : hand;
  const double slope = (high.x - low.x) / (high.y - low.y);
  const int first = std::max(0, static_cast<int>(std::floor(low.y)));
  double y = low.y, x = low.x;
  for (int row = first; row < canvas.height && y < high.y; ++row) {
    const bool last = high.y <= row + 1.0;
    const double next_y = last ? high.y : row + 1.0;
    const double next_x = last ? high.x : low.x + slope * (next_y - low.y);
    row_piece(canvas, row, x, next_x, sign * (next_y - y));
    x = next_x;
    y = next_y;
  }
}

}  // namespace

bool overlap_areas(const DropShape& drop, DropAreas& out) {
  const Point h{0.5 * drop.side_x.x, 0.5 * drop.side_x.y},
      k{0.5 * drop.side_y.x, 0.5 * drop.side_y.y};
  const double reach_x = std::fabs(h.x) + std::fabs(k.x);
  const double reach_y = std::fabs(h.y) + std::fabs(k.y);
  const Point c{drop.centre.x + 0.5, drop.centre.y + 0.5};
  if (!(std::fabs(c.x) < 1e8 && std::fabs(c.y) < 1e8) || !(reach_x < 0.5 * most_pixels) ||
      !(reach_y < 0.5 * most_pixels)) {
    return false;
  }
  out.box = {static_cast<int>(std::floor(c.x - reach_x)),
             static_cast<int>(std::floor(c.y - reach_y)),
             static_cast<int>(std::floor(c.x + reach_x)) + 1,
             static_cast<int>(std::floor(c.y + reach_y)) + 1};
  const Canvas canvas{nullptr, out.box.width() + 1, out.box.height()};
  const auto cells =
      static_cast<std::size_t>(canvas.width) * static_cast<std::size_t>(canvas.height);
  if (out.area.size() < cells) out.area.resize(cells);
  std::fill_n(out.area.begin(), cells, 0.0);
  const Point o{c.x - out.box.x0, c.y - out.box.y0};
  const std::array<Point, 4> corner{
      Point{o.x - h.x - k.x, o.y - h.y - k.y}, Point{o.x + h.x - k.x, o.y + h.y - k.y},
      Point{o.x + h.x + k.x, o.y + h.y + k.y}, Point{o.x - h.x + k.x, o.y - h.y + k.y}};
  // Counter-clockwise corners: a rising edge is a right side and takes away.
  const double hand = h.x * k.y - h.y * k.x < 0.0 ? -1.0 : 1.0;
  const Canvas open{out.area.data(), canvas.width, canvas.height};
  for (std::size_t i = 0; i < 4; ++i) add_edge(open, corner[i], corner[(i + 1) % 4], hand);
  // From gains to areas, and the spare cell of each row dropped.
  double* to = out.area.data();
  for (int row = 0; row < canvas.height; ++row) {
    const double* from = out.area.data() + row * canvas.width;
    double sum = 0.0;
    for (int column = 0; column < canvas.width - 1; ++column) {
      sum += from[column];
      *to++ = std::max(sum, 0.0);
    }
  }
  return true;
}

}  // namespace coldframe::align
