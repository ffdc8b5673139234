/// \file
/// A k-d tree on points of the plane (nanoflann stays in the source file).
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "coldframe/core/geometry.hpp"

namespace coldframe::align {

class PointTree {
 public:
  explicit PointTree(std::vector<Point> points);
  ~PointTree();
  PointTree(const PointTree&) = delete;
  PointTree& operator=(const PointTree&) = delete;

  struct Neighbour {
    std::uint32_t index = 0;
    double squared_distance = 0.0;
  };
  /// The nearest point closer than `radius`.
  [[nodiscard]] std::optional<Neighbour> nearest(Point p, double radius) const;
  /// The `count` nearest points, nearest first (a point of the tree finds itself first).
  void nearest_many(Point p, std::size_t count, std::vector<Neighbour>& out) const;
  /// All points closer than `radius`, in order of their index.
  void within(Point p, double radius, std::vector<std::uint32_t>& out) const;
  [[nodiscard]] const std::vector<Point>& points() const noexcept;

 private:
  struct Index;
  std::unique_ptr<Index> index_;
};

}  // namespace coldframe::align
