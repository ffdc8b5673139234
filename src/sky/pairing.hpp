// Nearest neighbours among points of the plane.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "coldframe/core/geometry.hpp"

namespace coldframe::sky {

/// Points sorted into square cells of the search radius's size.
class PointCells {
 public:
  PointCells(std::span<const Point> points, double radius);
  /// The nearest point not further than the radius; the lower index where two are equally near.
  [[nodiscard]] std::optional<std::size_t> nearest(Point p) const noexcept;

 private:
  [[nodiscard]] std::int64_t column(double x) const noexcept;
  [[nodiscard]] std::int64_t row(double y) const noexcept;
  std::vector<Point> points_;
  std::vector<std::uint32_t> order_;  ///< indices, cell by cell
  std::vector<std::uint32_t> start_;  ///< of each cell in `order_`, and the end
  double radius_ = 1.0;
  double cell_ = 1.0;
  Point low_;
  std::int64_t columns_ = 0;
  std::int64_t rows_ = 0;
};

struct IndexPair {
  std::size_t a = 0;
  std::size_t b = 0;
};
/// Pairs that are each other's nearest within `radius`, by index of `a`.
[[nodiscard]] std::vector<IndexPair> mutual_pairs(std::span<const Point> a,
                                                  std::span<const Point> b, double radius);

}  // namespace coldframe::sky
