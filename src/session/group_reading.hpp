/// \file
/// What the combine pass reads of each kept sub, and how.
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <vector>

#include "group_work.hpp"
#include "sub_reader.hpp"

namespace coldframe::session {

/// How the combine pass reads a sub: by region where that is cheap; whole-file compressed
/// frames from memory while they fit, else from decoded copies, else anew per strip.
struct FrameReading {
  std::vector<std::filesystem::path> paths;  ///< per kept sub
  std::size_t held_bytes = 0;                ///< inflated content kept open
  std::optional<ScratchCopies> scratch;
};

/// May add a warning to the record; decodes into the owner's scratch folder where that is needed.
[[nodiscard]] FrameReading plan_reading(const GroupState& group,
                                        const std::vector<std::size_t>& kept,
                                        CombineContext& context);

/// The kept subs as the combine pass takes them; `group` and `reading` must outlive the list.
[[nodiscard]] std::vector<pipeline::CombineSub> combine_list(const GroupState& group,
                                                             const std::vector<std::size_t>& kept,
                                                             const FrameReading& reading);

}  // namespace coldframe::session
