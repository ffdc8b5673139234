/// \file
/// Small pictures of residual vectors over a frame.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace coldframe::view {

/// How far something lies from where it should; frame coordinates, y up.
struct Arrow {
  double x = 0.0, y = 0.0;
  double dx = 0.0, dy = 0.0;
};

/// A length, round (1, 2 or 5 times a power of ten), that most arrows of all lists do not exceed:
/// one scale for many pictures. 0 when there are no arrows.
[[nodiscard]] double common_arrow_length(const std::vector<std::vector<Arrow>>& lists);

/// One SVG of a frame `width` x `height`: an arrow as long as `length` is drawn over a sixth of the
/// frame's longer side, longer ones up to three times that. `what` is read out to who does not see
/// it. Empty when there is nothing to draw.
[[nodiscard]] std::string arrows_svg(std::string_view what, double width, double height,
                                     const std::vector<Arrow>& arrows, double length);

}  // namespace coldframe::view
