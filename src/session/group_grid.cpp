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

Point middle_of(const SubState& sub) noexcept {
  return {(sub.measured.frame.width - 1) / 2.0, (sub.measured.frame.height - 1) / 2.0};
}

}  // namespace coldframe::session
