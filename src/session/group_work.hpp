// The two passes for one group of lights, and what is written of its result.
#pragma once

#include "calibration_store.hpp"
#include "coldframe/core/interrupt.hpp"
#include "coldframe/pipeline/memory_plan.hpp"
#include "group_state.hpp"
#include "record_keeper.hpp"

namespace coldframe::session {

/// Measures every sub of the group, or takes it from the cache in OUT/measure.
void measure_group(GroupState& group, const RunOptions& options, const pipeline::MemoryPlan& plan,
                   SessionRecord& record, const Watch& watch);

struct CombineContext {
  const RunOptions& options;
  SessionRecord& record;
  const Watch& watch;
  std::string result_name;    ///< file name without extension
  const SubState* reference;  ///< sub that defines the grid
  Canvas canvas;
  std::size_t calibration_sets = 1;
  bool identity = false;  ///< subs lie on the grid already
  const Inventory* inventory = nullptr;
  bool picture = true;  ///< beside the result
};
/// Trails, combine pass, result, pictures. Appends the result's row to the
/// record; the rows of its subs must be there and are completed.
void combine_group(GroupState& group, CombineContext& context, int result);

/// The reference's header, trimmed like its pixels, with sky coordinates on `canvas`.
[[nodiscard]] Header reference_header(const CombineContext& context, const Canvas& canvas);

/// Largest turn of a kept sub against the canvas, folded to [0, 90] degrees, in radians.
[[nodiscard]] double largest_turn(const GroupState& group);

/// The result's row as far as the judged subs tell it.
[[nodiscard]] ResultRecord result_row(const GroupState& group);

/// Rows of the record for the group's subs as judged.
void record_subs(const GroupState& group, int result, const CalibrationStore* store,
                 SessionRecord& record);

}  // namespace coldframe::session
