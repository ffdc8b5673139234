// Decisions: which sub is the reference, which stay, how each is brought to the reference's scale.
#pragma once

#include <span>

#include "coldframe/core/interrupt.hpp"
#include "group_state.hpp"

namespace coldframe::session {

/// True when the owner's lists leave this sub out.
[[nodiscard]] bool owner_excludes(const SubState& sub, const KeepLimits& limits);

/// Triangles first; for poor lists of one set-up a shift alone.
[[nodiscard]] align::MatchResult match_subs(const pipeline::SubMeasurement& sub,
                                            const pipeline::SubMeasurement& reference);

/// Matches every usable sub of the group to the reference.
void register_group(GroupState& group, const SubState& reference, Threads threads,
                    const Watch& watch);

/// What follows from the matches: set-ups, residual vectors.
void complete_registration(GroupState& group, const SubState& reference);

/// Picks the group's photometric reference (`grid`, the sub whose grid the result has, where it is
/// one of the group), estimates transparency and judges: sets kept and reason.
void judge_group(GroupState& group, const KeepLimits& limits, const SubState* grid = nullptr);

/// Sky surfaces and weights of the kept subs.
void normalise_group(GroupState& group, Size canvas, const RunOptions& options);

}  // namespace coldframe::session
