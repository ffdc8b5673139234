/// \file
/// Finds points near a place: points sorted into square buckets.
#pragma once

#include <algorithm>
#include <cstdint>
#include <vector>

#include "coldframe/core/geometry.hpp"

namespace coldframe::stars {

class NeighbourGrid {
 public:
  NeighbourGrid(const std::vector<Point>& points, Size frame, double bucket_px)
      : points_(points),
        frame_(frame),
        bucket_(std::max(1.0, bucket_px)),
        columns_(1 + static_cast<int>(frame.width / bucket_)),
        rows_(1 + static_cast<int>(frame.height / bucket_)),
        first_(static_cast<std::size_t>(columns_) * static_cast<std::size_t>(rows_) + 1, 0) {
    for (const Point& p : points) ++first_[bucket_of(p) + 1];
    for (std::size_t i = 1; i < first_.size(); ++i) first_[i] += first_[i - 1];
    order_.resize(points.size());
    std::vector<std::uint32_t> next(first_.begin(), first_.end() - 1);
    for (std::size_t i = 0; i < points.size(); ++i) {
      order_[next[bucket_of(points[i])]++] = static_cast<std::uint32_t>(i);
    }
  }

  /// Calls `visit(index, distance squared)` for every point within `radius` of `p`.
  template <typename Visit>
  void near(Point p, double radius, Visit&& visit) const {
    const int i0 = column(p.x - radius);
    const int i1 = column(p.x + radius);
    for (int j = row(p.y - radius); j <= row(p.y + radius); ++j) {
      for (int i = i0; i <= i1; ++i) {
        const std::size_t b = index(i, j);
        for (std::uint32_t k = first_[b]; k < first_[b + 1]; ++k) {
          const Point& q = points_[order_[k]];
          const double d2 = (q.x - p.x) * (q.x - p.x) + (q.y - p.y) * (q.y - p.y);
          if (d2 <= radius * radius) visit(static_cast<std::size_t>(order_[k]), d2);
        }
      }
    }
  }

  [[nodiscard]] Size frame() const noexcept { return frame_; }

 private:
  [[nodiscard]] int column(double x) const noexcept {
    return std::clamp(static_cast<int>(x / bucket_), 0, columns_ - 1);
  }
  [[nodiscard]] int row(double y) const noexcept {
    return std::clamp(static_cast<int>(y / bucket_), 0, rows_ - 1);
  }
  [[nodiscard]] std::size_t index(int i, int j) const noexcept {
    return static_cast<std::size_t>(j) * static_cast<std::size_t>(columns_) +
           static_cast<std::size_t>(i);
  }
  [[nodiscard]] std::size_t bucket_of(const Point& p) const noexcept {
    return index(column(p.x), row(p.y));
  }
  const std::vector<Point>& points_;
  Size frame_;
  double bucket_;
  int columns_;
  int rows_;
  std::vector<std::uint32_t> first_;
  std::vector<std::uint32_t> order_;
};

}  // namespace coldframe::stars
