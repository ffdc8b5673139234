// What is told of each sub beyond what decides: field, sky's slope, circumstances, depth, share.
#pragma once

#include "group_state.hpp"

namespace coldframe::session {

/// Fills `details` of all subs of a registered and judged group.
void describe_group(GroupState& group, Threads threads);

}  // namespace coldframe::session
