// Subs that the reference cannot tell: matched with others that it can.
#pragma once

#include <functional>
#include <span>
#include <utility>
#include <vector>

#include "coldframe/align/match.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::session {

/// One sub in order of time; `match` is to the reference and is completed in place.
struct ChainSub {
  std::span<const Star> stars;
  Size frame;
  align::MatchResult* match = nullptr;
  bool usable = false;
  int through = -1;  ///< out: index of the sub that led to the reference
};

struct ChainReference {
  std::span<const Star> stars;
  Size frame;
};

/// Stars of both lists that a mapping brings within 1.5 px of each other, each at most once.
[[nodiscard]] std::vector<std::pair<std::size_t, std::size_t>> pairs_by_place(
    std::span<const Star> sub, std::span<const Star> reference, const Transform& to_reference);

/// Match of the first sub with the second (indices).
using PairMatcher = std::function<align::MatchResult(std::size_t sub, std::size_t through)>;

/// For every usable sub without a match, tries its nearest matched neighbours in time and matched
/// subs of other pointings; the mappings are composed and `pairs` found anew by place among
/// `reference`'s stars (none when the fields do not overlap; where they do, too few refute the
/// chain). Goes on while that matches further subs. Subs matched by a polynomial lead nowhere.
/// Returns how many were matched.
std::size_t match_through_others(std::span<ChainSub> subs, const ChainReference& reference,
                                 const PairMatcher& match, Threads threads);

}  // namespace coldframe::session
