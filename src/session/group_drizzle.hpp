// The drizzled result of a group, beside the ordinary one.
#pragma once

#include <span>

#include "group_work.hpp"

namespace coldframe::session {

/// Before the ordinary combination: throws Error(usage) when `--memory` is too small to drizzle,
/// with the least that would do.
void check_drizzle_memory(const GroupState& group, const CombineContext& context);

/// Reads the ordinary result of `row` from OUT, drops the subs of `list` on a finer grid and
/// writes NAME_drizzle.fits with its picture; completes the row and warns of poor coverage.
void drizzle_group(const GroupState& group, std::span<const pipeline::CombineSub> list,
                   CombineContext& context, ResultRecord& row);

/// Says when a colour session's dithers would carry a drizzle straight from the mosaic.
void offer_drizzle(const GroupState& group, CombineContext& context, const ResultRecord& row);

}  // namespace coldframe::session
