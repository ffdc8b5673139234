#include "pairing.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::sky {

PointCells::PointCells(std::span<const Point> points, double radius)
    : points_(points.begin(), points.end()), radius_(radius) {
  if (points_.empty()) return;
  Point high = points_.front();
  low_ = high;
  for (const Point p : points_) {
    low_ = {std::min(low_.x, p.x), std::min(low_.y, p.y)};
    high = {std::max(high.x, p.x), std::max(high.y, p.y)};
  }
  // No more cells than points in each direction: far apart points need no fine grid.
  const double side = std::max(high.x - low_.x, high.y - low_.y);
  cell_ = std::max({radius, side / (1.0 + std::sqrt(static_cast<double>(points_.size()))), 1e-9});
  columns_ = static_cast<std::int64_t>((high.x - low_.x) / cell_) + 1;
  rows_ = static_cast<std::int64_t>((high.y - low_.y) / cell_) + 1;
  const auto cells = static_cast<std::size_t>(columns_ * rows_);
  std::vector<std::uint32_t> count(cells + 1, 0);
  const auto cell_of = [&](Point p) {
    return static_cast<std::size_t>(row(p.y) * columns_ + column(p.x));
  };
  for (const Point p : points_) ++count[cell_of(p) + 1];
  for (std::size_t i = 1; i < count.size(); ++i) count[i] += count[i - 1];
  start_ = count;
  order_.resize(points_.size());
  for (std::size_t i = 0; i < points_.size(); ++i) {
    order_[count[cell_of(points_[i])]++] = static_cast<std::uint32_t>(i);
  }
}

std::int64_t PointCells::column(double x) const noexcept {
  return static_cast<std::int64_t>(std::floor((x - low_.x) / cell_));
}
std::int64_t PointCells::row(double y) const noexcept {
  return static_cast<std::int64_t>(std::floor((y - low_.y) / cell_));
}

std::optional<std::size_t> PointCells::nearest(Point p) const noexcept {
  std::optional<std::size_t> found;
  if (points_.empty() || !std::isfinite(p.x) || !std::isfinite(p.y)) return found;
  if (std::fabs(p.x) > 1e12 || std::fabs(p.y) > 1e12) return found;
  double best = radius_ * radius_;
  const auto i0 = std::max<std::int64_t>(column(p.x - radius_), 0);
  const auto i1 = std::min(column(p.x + radius_), columns_ - 1);
  const auto j0 = std::max<std::int64_t>(row(p.y - radius_), 0);
  const auto j1 = std::min(row(p.y + radius_), rows_ - 1);
  for (auto j = j0; j <= j1; ++j) {
    for (auto i = i0; i <= i1; ++i) {
      const auto cell = static_cast<std::size_t>(j * columns_ + i);
      for (auto k = start_[cell]; k < start_[cell + 1]; ++k) {
        const std::size_t index = order_[k];
        const double dx = points_[index].x - p.x;
        const double dy = points_[index].y - p.y;
        const double squared = dx * dx + dy * dy;
        if (squared > best || (found && squared == best && index > *found)) continue;
        best = squared;
        found = index;
      }
    }
  }
  return found;
}

std::vector<IndexPair> mutual_pairs(std::span<const Point> a, std::span<const Point> b,
                                    double radius) {
  const PointCells of_a(a, radius);
  const PointCells of_b(b, radius);
  std::vector<IndexPair> pairs;
  for (std::size_t i = 0; i < a.size(); ++i) {
    const auto j = of_b.nearest(a[i]);
    if (!j) continue;
    const auto back = of_a.nearest(b[*j]);
    if (back && *back == i) pairs.push_back({i, *j});
  }
  return pairs;
}

}  // namespace coldframe::sky
