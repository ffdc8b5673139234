// The two lines of a dual-band filter on a colour sensor, each as a result of its own.
#pragma once

#include "coldframe/session/pairing.hpp"
#include "group_work.hpp"

namespace coldframe::session {

/// Before any work: throws Error(usage) when the owner asks for two lines and no group of lights
/// can have them, with each group's reason.
void check_lines(const LineOptions& lines, const Inventory& inventory, const Pairing& pairing);

/// The same for one group of files.
void check_lines(const LineOptions& lines, const GroupState& group);

/// Separates the result with this index when its filter passes two lines (or the owner says so):
/// NAME_<line>.fits and, where the sky's gradient was removed, NAME_<line>_flat-sky.fits, each with
/// UNCERT and MASK; appends their rows to the record.
void separate_group_lines(const GroupState& group, CombineContext& context, int result);

}  // namespace coldframe::session
