// Files that lie on one grid already: what combining needs of them, and no more.
#pragma once

#include "coldframe/core/interrupt.hpp"
#include "coldframe/pipeline/memory_plan.hpp"
#include "coldframe/session/record.hpp"
#include "group_state.hpp"

namespace coldframe::session {

/// Whether the sky alone tells all that is asked for: no limit that concerns stars, no weights that
/// need their width, no mosaics, and enough files that particles show by comparison.
[[nodiscard]] bool sky_is_enough(const GroupState& group, const RunOptions& options);

/// Level and noise of every file's sky.
void measure_skies(GroupState& group, const pipeline::MemoryPlan& plan, SessionRecord& record,
                   const Watch& watch);

/// Every readable file that the owner does not leave out is kept, on the grid of the first one or
/// of the one that is named; its index. Exposures tell the scales. Throws Error(not_enough_data,
/// usage).
[[nodiscard]] std::size_t take_all(GroupState& group, const RunOptions& options);

}  // namespace coldframe::session
