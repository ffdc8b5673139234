#include "align/point_tree.hpp"

#include <algorithm>
#include <nanoflann.hpp>

namespace coldframe::align {
namespace {

struct Cloud {
  std::vector<Point> points;
  [[nodiscard]] std::size_t kdtree_get_point_count() const { return points.size(); }
  [[nodiscard]] double kdtree_get_pt(std::size_t i, std::size_t axis) const {
    return axis == 0 ? points[i].x : points[i].y;
  }
  template <typename Box>
  bool kdtree_get_bbox(Box&) const {
    return false;
  }
};

using Tree = nanoflann::KDTreeSingleIndexAdaptor<nanoflann::L2_Simple_Adaptor<double, Cloud>, Cloud,
                                                 2, std::uint32_t>;

}  // namespace

struct PointTree::Index {
  Cloud cloud;
  std::unique_ptr<Tree> tree;
};

PointTree::PointTree(std::vector<Point> points) : index_(std::make_unique<Index>()) {
  index_->cloud.points = std::move(points);
  if (index_->cloud.points.empty()) return;
  constexpr std::size_t leaf = 10;
  index_->tree =
      std::make_unique<Tree>(2, index_->cloud, nanoflann::KDTreeSingleIndexAdaptorParams(leaf));
  index_->tree->buildIndex();
}

PointTree::~PointTree() = default;

const std::vector<Point>& PointTree::points() const noexcept { return index_->cloud.points; }

std::optional<PointTree::Neighbour> PointTree::nearest(Point p, double radius) const {
  if (!index_->tree) return std::nullopt;
  const double query[2] = {p.x, p.y};
  nanoflann::KNNResultSet<double, std::uint32_t> set(1);
  Neighbour found;
  set.init(&found.index, &found.squared_distance);
  // The set prunes by its worst distance: nothing beyond the radius is looked at.
  found.squared_distance = radius * radius;
  index_->tree->findNeighbors(set, query, nanoflann::SearchParams());
  if (set.size() == 0) return std::nullopt;
  return found;
}

void PointTree::nearest_many(Point p, std::size_t count, std::vector<Neighbour>& out) const {
  out.clear();
  if (!index_->tree) return;
  const double query[2] = {p.x, p.y};
  std::vector<std::uint32_t> indices(count);
  std::vector<double> distances(count);
  const std::size_t found = index_->tree->knnSearch(query, count, indices.data(), distances.data());
  for (std::size_t i = 0; i < found; ++i) out.push_back({indices[i], distances[i]});
}

void PointTree::within(Point p, double radius, std::vector<std::uint32_t>& out) const {
  out.clear();
  if (!index_->tree) return;
  const double query[2] = {p.x, p.y};
  std::vector<std::pair<std::uint32_t, double>> found;
  index_->tree->radiusSearch(query, radius * radius, found,
                             nanoflann::SearchParams(32, 0.0F, false));
  for (const auto& [index, distance] : found) out.push_back(index);
  std::ranges::sort(out);
}

}  // namespace coldframe::align
