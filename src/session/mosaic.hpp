// Panels of a mosaic: what does not touch the reference is tied to it through its neighbours.
#pragma once

#include <vector>

#include "group_state.hpp"

namespace coldframe::session {

/// True when a matched sub covers less than 60 % of its frame in common with `reference`: pairwise
/// comparison with the reference then rests on a strip, or on nothing.
[[nodiscard]] bool is_mosaic(const GroupState& group, const SubState& reference);

/// Share of the frame of `sub` that lies on that of `other`; both matched.
[[nodiscard]] double share_on(const SubState& sub, const SubState& other);

/// Fits the mappings of all matched subs together, through all stars that any of them share
/// (affine corrections on top of each mapping; the reference's frame stays). The reference may
/// belong to another group.
void adjust_positions(GroupState& group, const SubState& reference);

/// Flux scales of all matched subs onto the group's photometric reference, from all stars in
/// common; not usable where nothing links a sub to it.
[[nodiscard]] std::vector<stack::ScaleEstimate> joint_scales(const GroupState& group);

/// Sky surfaces of all kept subs but the photometric reference, from the levels in all overlaps.
void join_skies(GroupState& group, Size canvas, stack::SkyMatching method);

}  // namespace coldframe::session
