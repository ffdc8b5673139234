/// \file
/// From a pair of alike triangles to the largest set of star pairs that agree.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "align/star_pairs.hpp"

namespace coldframe::align {

/// Samples needed to draw `sample` good ones at least once with probability
/// `confidence` when a share `outliers` is bad (Fischler & Bolles 1981, CACM 24, 381).
[[nodiscard]] std::size_t ransac_trials(double confidence, double outliers, int sample) noexcept;

struct Consensus {
  Transform transform;  ///< similarity
  bool mirrored = false;
  std::vector<IndexPair> pairs;
};

/// Random samples of two pairs, scored by truncated squared distances (MSAC, Torr &
/// Zisserman 2000, CVIU 78, 138), then least squares on the inliers. Unset when fewer
/// than three pairs agree.
[[nodiscard]] std::optional<Transform> msac_similarity(const Lists& lists,
                                                       const std::vector<IndexPair>& pairs,
                                                       bool mirrored, double tolerance_px,
                                                       std::uint64_t seed);

/// A similarity that is good near `area` is carried outwards in growing circles, until
/// all stars take part.
[[nodiscard]] std::optional<Consensus> grow_consensus(const Lists& lists, const Transform& start,
                                                      bool mirrored, Area area, double tolerance_px,
                                                      std::uint64_t seed);

}  // namespace coldframe::align
