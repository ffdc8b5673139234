/// \file
/// The two lists as the matcher sees them, and pairing under a given transform.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "align/point_tree.hpp"
#include "coldframe/align/match.hpp"

namespace coldframe::align {

/// Usable stars of a list, brightest first.
struct StarPoints {
  std::vector<Point> points;
  std::vector<double> error_px;       ///< of a position, per axis; never zero
  std::vector<std::size_t> original;  ///< index in the caller's list
};
/// Leaves out non-finite positions, sources too sharp for a star, and those cut by an edge.
[[nodiscard]] StarPoints usable_stars(std::span<const Star> stars);

/// Indices into the two StarPoints.
struct IndexPair {
  std::uint32_t sub = 0;
  std::uint32_t reference = 0;
  double distance_px = 0.0;
};

/// Both lists with the tree that all pairings use.
struct Lists {
  Lists(std::span<const Star> sub_stars, std::span<const Star> reference_stars);
  StarPoints sub;
  StarPoints reference;
  PointTree tree;   ///< of the reference
  Point low, high;  ///< box around the reference stars
};

/// A circle of the sub in which stars are paired.
struct Area {
  Point centre;
  double radius = 0.0;  ///< 0: everywhere
};

/// One-to-one pairs closer than `tolerance_px` in the reference; each reference star
/// takes its nearest claimant. Looks at the `brightest` sub stars (0: all) of those that lie in the
/// area and among the reference's.
[[nodiscard]] std::vector<IndexPair> pair_up(const Lists& lists, const Transform& transform,
                                             double tolerance_px, const Area& area = {},
                                             std::size_t brightest = 0);

/// How likely chance alone gives so many pairs.
struct ChanceInput {
  std::size_t candidates = 0;     ///< sub stars that fall among the reference stars
  double pair_probability = 0.0;  ///< that a random position has a reference star in reach
};
/// Probability per star from the local density of the reference around the projected
/// stars (never below the mean density), so that clusters do not pretend certainty.
[[nodiscard]] ChanceInput chance_of_pairs(const Lists& lists, const Transform& transform,
                                          double tolerance_px, const Area& area = {},
                                          std::size_t brightest = 0);
/// Binomial tail P(X >= successes) of n trials with probability p.
[[nodiscard]] double binomial_tail(std::size_t n, std::size_t successes, double p) noexcept;

}  // namespace coldframe::align
