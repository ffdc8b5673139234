/// \file
/// Fits that only the matcher needs.
#pragma once

#include <span>

#include "coldframe/align/match.hpp"

namespace coldframe::align {

/// Weighted similarity of a given hand: a rotation, or a rotation after a mirror image.
[[nodiscard]] TransformFit fit_one_hand(std::span<const Point> from, std::span<const Point> to,
                                        std::span<const double> weights, bool mirrored);

}  // namespace coldframe::align
