#include "group_grid.hpp"

#include <cmath>

namespace coldframe::session {

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

double sub_pixels_per_canvas_pixel(const Transform& to_canvas, Point at) noexcept {
  const auto j = to_canvas.jacobian(at);
  return 1.0 / std::fabs(j[0] * j[3] - j[1] * j[2]);
}

Point middle_of(const SubState& sub) noexcept {
  return {(sub.measured.frame.width - 1) / 2.0, (sub.measured.frame.height - 1) / 2.0};
}

}  // namespace coldframe::session
