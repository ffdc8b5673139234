#include "align/triangles.hpp"

#include <algorithm>
#include <cmath>

#include "align/point_tree.hpp"

namespace coldframe::align {
namespace {

using Corners = std::array<std::uint32_t, 3>;

// Pixels neither overflow nor vanish when squared.
double distance(Point a, Point b) noexcept {
  const double dx = a.x - b.x, dy = a.y - b.y;
  return std::sqrt(dx * dx + dy * dy);
}

// Every star of the first `depth` with pairs of its nearest neighbours among them.
void add_neighbourhoods(std::span<const Point> points, std::size_t depth, std::size_t neighbours,
                        std::vector<Corners>& out) {
  const PointTree tree(
      std::vector<Point>(points.begin(), points.begin() + static_cast<std::ptrdiff_t>(depth)));
  std::vector<PointTree::Neighbour> near;
  for (std::uint32_t i = 0; i < depth; ++i) {
    tree.nearest_many(points[i], neighbours + 1, near);
    for (std::size_t j = 0; j < near.size(); ++j) {
      for (std::size_t k = j + 1; k < near.size(); ++k) {
        Corners corners{i, near[j].index, near[k].index};
        if (corners[1] == i || corners[2] == i) continue;
        std::ranges::sort(corners);
        out.push_back(corners);
      }
    }
  }
}

// How far apart the shapes of one triangle may lie in two frames: a side's error over a.
double shape_tolerance(const Triangle& s, const Triangle& r, double error) noexcept {
  return 0.001 + 2.0 * error * (1.0 / s.longest + 1.0 / r.longest);
}

constexpr double widest_shape_tolerance = 0.008;

}  // namespace

bool make_triangle(std::span<const Point> points, Corners corner, Triangle& out) noexcept {
  struct Side {
    double length;
    std::uint32_t opposite;
  };
  std::array<Side, 3> side{Side{distance(points[corner[1]], points[corner[2]]), corner[0]},
                           Side{distance(points[corner[2]], points[corner[0]]), corner[1]},
                           Side{distance(points[corner[0]], points[corner[1]]), corner[2]}};
  std::ranges::sort(side, [](const Side& a, const Side& b) {
    return a.length != b.length ? a.length > b.length : a.opposite < b.opposite;
  });
  constexpr double shortest_px = 3.0, alike = 0.985, needle = 0.08;
  if (!(side[2].length > shortest_px) || side[1].length > alike * side[0].length ||
      side[2].length > alike * side[1].length || side[2].length < needle * side[0].length) {
    return false;
  }
  out.vertex = {side[0].opposite, side[1].opposite, side[2].opposite};
  out.longest = side[0].length;
  out.shape = {side[1].length / side[0].length, side[2].length / side[0].length};
  const Point a = points[out.vertex[0]], b = points[out.vertex[1]], c = points[out.vertex[2]];
  const double cross = (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x);
  out.left_handed = cross < 0.0;
  // Three points nearly on a line have no trustworthy hand.
  return std::fabs(cross) > 0.02 * out.longest * out.longest;
}

std::vector<Triangle> make_triangles(std::span<const Point> points,
                                     const TriangleOptions& options) {
  const std::size_t stars = std::min(points.size(), options.stars);
  std::vector<Corners> corners;
  const auto all = static_cast<std::uint32_t>(std::min(stars, options.all_of));
  for (std::uint32_t i = 0; i < all; ++i) {
    for (std::uint32_t j = i + 1; j < all; ++j) {
      for (std::uint32_t k = j + 1; k < all; ++k) corners.push_back({i, j, k});
    }
  }
  for (std::size_t depth = stars; depth > options.all_of; depth /= 2) {
    add_neighbourhoods(points, depth, options.neighbours, corners);
  }
  std::ranges::sort(corners);
  corners.erase(std::unique(corners.begin(), corners.end()), corners.end());
  std::vector<Triangle> result;
  result.reserve(corners.size());
  Triangle triangle;
  for (const Corners& c : corners) {
    if (make_triangle(points, c, triangle)) result.push_back(triangle);
  }
  return result;
}

std::vector<TriangleMatch> match_triangles(std::span<const Triangle> sub,
                                           std::span<const Triangle> reference,
                                           std::size_t sub_stars, std::size_t reference_stars,
                                           const TriangleMatchOptions& options) {
  std::vector<Point> shapes;
  shapes.reserve(reference.size());
  for (const Triangle& t : reference) shapes.push_back(t.shape);
  const PointTree tree(std::move(shapes));
  std::vector<TriangleMatch> matches;
  // One table of votes per hand.
  std::vector<std::uint32_t> votes[2];
  for (auto& table : votes) table.assign(sub_stars * reference_stars, 0);
  const auto place = [&](const Triangle& s, const Triangle& r, std::size_t k) {
    return s.vertex[k] * reference_stars + r.vertex[k];
  };
  std::vector<std::uint32_t> near;
  for (std::uint32_t i = 0; i < sub.size(); ++i) {
    const Triangle& s = sub[i];
    tree.within(s.shape, widest_shape_tolerance, near);
    for (const std::uint32_t j : near) {
      const Triangle& r = reference[j];
      const bool mirrored = s.left_handed != r.left_handed;
      const double scale = r.longest / s.longest;
      if ((mirrored && !options.allow_mirror) || scale < 0.97 * options.min_scale ||
          scale > 1.03 * options.max_scale) {
        continue;
      }
      const double apart = distance(s.shape, r.shape);
      if (apart > shape_tolerance(s, r, options.position_error_px)) continue;
      matches.push_back({i, j, mirrored, 0});
      for (std::size_t k = 0; k < 3; ++k) ++votes[mirrored ? 1 : 0][place(s, r, k)];
    }
  }
  for (TriangleMatch& m : matches) {
    const auto& table = votes[m.mirrored ? 1 : 0];
    for (std::size_t k = 0; k < 3; ++k) {
      m.votes += table[place(sub[m.sub], reference[m.reference], k)];
    }
  }
  std::ranges::sort(matches, [](const TriangleMatch& a, const TriangleMatch& b) {
    if (a.votes != b.votes) return a.votes > b.votes;
    return a.sub != b.sub ? a.sub < b.sub : a.reference < b.reference;
  });
  return matches;
}

}  // namespace coldframe::align
