#include "group_grid.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::session {

CanvasOptions canvas_options(const RunOptions& options, const FrameInfo& reference) {
  CanvasOptions canvas = options.canvas;
  if (options.demosaic == sensor::Demosaic::half_size && reference.cfa != CfaPattern::none) {
    canvas.scale *= 0.5;
  }
  return canvas;
}

bool has_mosaic(const GroupState& group) noexcept {
  return std::any_of(group.subs.begin(), group.subs.end(), [](const SubState& sub) {
    return sub.info != nullptr && sub.info->cfa != CfaPattern::none;
  });
}

std::vector<Footprint> kept_footprints(const GroupState& group) {
  std::vector<Footprint> footprints;
  for (const auto& sub : group.subs) {
    if (sub.kept) footprints.push_back({sub.measured.frame, sub.match.transform});
  }
  return footprints;
}

void place_on_canvas(GroupState& group, const Canvas& canvas) {
  for (auto& sub : group.subs) sub.to_canvas = onto_canvas(sub.match.transform, canvas);
}

Point middle_of(const SubState& sub) noexcept {
  return {(sub.measured.frame.width - 1) / 2.0, (sub.measured.frame.height - 1) / 2.0};
}

}  // namespace coldframe::session
