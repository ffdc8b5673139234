#include <algorithm>
#include <cmath>

#include "coldframe/stack/trails.hpp"

namespace coldframe::stack {
namespace {

struct Interval {
  double low = 0.0;
  double high = -1.0;
};

/// x with |a x + b| <= c.
Interval strip(double a, double b, double c) noexcept {
  if (std::fabs(a) < 1e-12) {
    return std::fabs(b) <= c ? Interval{-1e300, 1e300} : Interval{};
  }
  const double p = (-c - b) / a;
  const double q = (c - b) / a;
  return {std::min(p, q), std::max(p, q)};
}

/// Where the row at height `dy` from a point lies within `radius` of it.
Interval disc(double x, double dy, double radius) noexcept {
  const double inside = radius * radius - dy * dy;
  if (inside < 0.0) return {};
  const double half = std::sqrt(inside);
  return {x - half, x + half};
}

/// The pixels of row y within `radius` of the segment: it is convex, so they
/// are one run, the hull of the parts in the body and in both round ends.
Interval run_of_row(const Trail& t, double y, double radius) noexcept {
  const double dx = t.x2 - t.x1;
  const double dy = t.y2 - t.y1;
  const double length = std::hypot(dx, dy);
  Interval run;
  const auto join = [&](Interval other) {
    if (other.high < other.low) return;
    run = run.high < run.low
              ? other
              : Interval{std::min(run.low, other.low), std::max(run.high, other.high)};
  };
  join(disc(t.x1, y - t.y1, radius));
  join(disc(t.x2, y - t.y2, radius));
  if (length > 0.0) {
    const double ux = dx / length;
    const double uy = dy / length;
    const double rise = y - t.y1;
    const Interval across = strip(-uy, uy * t.x1 + ux * rise, radius);
    const Interval along = strip(ux, -ux * t.x1 + uy * rise - 0.5 * length, 0.5 * length);
    join({std::max(across.low, along.low), std::min(across.high, along.high)});
  }
  return run;
}

}  // namespace

void mask_trails(std::span<const Trail> trails, const Rect& tile, PlaneView<std::uint8_t> mask) {
  for (const Trail& t : trails) {
    const double radius = 0.5 * t.width_px;
    const int y0 = std::max<int>(
        tile.y0,
        static_cast<int>(std::floor(std::clamp(std::min(t.y1, t.y2) - radius, -1e9, 1e9))));
    const int y1 = std::min<int>(
        tile.y1 - 1,
        static_cast<int>(std::ceil(std::clamp(std::max(t.y1, t.y2) + radius, -1e9, 1e9))));
    for (int y = y0; y <= y1; ++y) {
      const Interval run = run_of_row(t, y, radius);
      if (run.high < run.low) continue;
      const double first = std::max(std::ceil(run.low), static_cast<double>(tile.x0));
      const double last = std::min(std::floor(run.high), static_cast<double>(tile.x1 - 1));
      const auto row = mask.row(y - tile.y0);
      for (int x = static_cast<int>(first); first <= last && x <= static_cast<int>(last); ++x) {
        row[static_cast<std::size_t>(x - tile.x0)] |= mask_bit::trail;
      }
    }
  }
}

}  // namespace coldframe::stack
