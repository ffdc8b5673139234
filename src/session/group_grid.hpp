// Subs on the grid of the result.
#pragma once

#include <span>
#include <vector>

#include "coldframe/session/canvas.hpp"
#include "group_state.hpp"

namespace coldframe::session {

/// The canvas that the owner asked for; half-size pixels of a mosaic make it half as fine.
[[nodiscard]] CanvasOptions canvas_options(const RunOptions& options, const FrameInfo& reference);

/// True when a sub of the group comes as a colour mosaic.
[[nodiscard]] bool has_mosaic(const GroupState& group) noexcept;

/// Frames and transforms of the kept subs.
[[nodiscard]] std::vector<Footprint> kept_footprints(const GroupState& group);

/// Sets `to_canvas` of every matched sub.
void place_on_canvas(GroupState& group, const Canvas& canvas);

[[nodiscard]] Point middle_of(const SubState& sub) noexcept;

}  // namespace coldframe::session
