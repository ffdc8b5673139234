#include "align/mapped_bounds.hpp"

#include <algorithm>

#include "align/inverse_grid.hpp"

namespace coldframe::align {
namespace {

int clamped(double value, int lowest, int highest) noexcept {
  return static_cast<int>(
      std::clamp(value, static_cast<double>(lowest), static_cast<double>(highest)));
}

}  // namespace

void MappedBounds::add(Point p) noexcept {
  if (!std::isfinite(p.x) || !std::isfinite(p.y)) {
    complete = false;
    return;
  }
  x0 = std::min(x0, p.x);
  y0 = std::min(y0, p.y);
  x1 = std::max(x1, p.x);
  y1 = std::max(y1, p.y);
}

// A continuous map sends the boundary around the whole image, so the boundary is enough.
MappedBounds mapped_bounds(const Transform& transform, const Rect& destination) {
  const InverseGrid grid(transform, {});
  const bool linear =
      !transform.polynomial && transform.matrix[6] == 0.0 && transform.matrix[7] == 0.0;
  const int step_x = linear ? std::max(1, destination.width() - 1) : 16;
  const int step_y = linear ? std::max(1, destination.height() - 1) : 16;
  MappedBounds bounds;
  const int last_x = destination.x1 - 1, last_y = destination.y1 - 1;
  for (int x = destination.x0;; x = std::min(x + step_x, last_x)) {
    for (const int y : {destination.y0, last_y}) {
      bounds.add(grid.at({static_cast<double>(x), static_cast<double>(y)}));
    }
    if (x == last_x) break;
  }
  for (int y = destination.y0;; y = std::min(y + step_y, last_y)) {
    for (const int x : {destination.x0, last_x}) {
      bounds.add(grid.at({static_cast<double>(x), static_cast<double>(y)}));
    }
    if (y == last_y) break;
  }
  return bounds;
}

Rect region_of(const MappedBounds& b, double margin, Size sub) noexcept {
  if (!b.complete) return whole(sub);
  const Rect region{clamped(std::floor(b.x0) - margin, 0, sub.width),
                    clamped(std::floor(b.y0) - margin, 0, sub.height),
                    clamped(std::ceil(b.x1) + margin + 1.0, 0, sub.width),
                    clamped(std::ceil(b.y1) + margin + 1.0, 0, sub.height)};
  return region.empty() ? Rect{} : region;
}

}  // namespace coldframe::align
