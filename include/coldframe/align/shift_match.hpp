/// \file
/// Matching two poor star lists of one set-up that differ by a shift alone.
///
/// Triangles need a handful of stars that both lists hold among their brightest. Where single
/// stars are barely detected, every pair of one star from each list votes for a
/// shift (or a half turn and a shift, after a mount's flip); true pairs pile up in one place, all
/// others spread. The chance of the pile is judged against the votes around it, which a cluster's
/// own shape produces as well.
#pragma once

#include <span>

#include "coldframe/align/match.hpp"

namespace coldframe::align {

struct ShiftMatchOptions {
  double largest_shift_px = 400.0;
  double tolerance_px = 2.5;  ///< radius of a pile
  double max_false_probability = 1e-6;
  std::size_t most_stars = 200;  ///< brightest of each list
};

/// `centre`: the point about which a half turn is tried (the frame's middle).
[[nodiscard]] MatchResult match_by_shift(std::span<const Star> sub, std::span<const Star> reference,
                                         Point centre, const ShiftMatchOptions& options = {});

}  // namespace coldframe::align
