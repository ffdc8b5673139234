// Which subs were taken with the same telescope and camera.
#pragma once

#include <span>
#include <vector>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::session {

struct SetUpMember {
  const FrameInfo* info = nullptr;  ///< unset: nothing is known
  Size frame;
  const Transform* to_reference = nullptr;  ///< unset: not matched
};

struct SetUps {
  std::vector<std::size_t> of;  ///< set-up of each member; the first member's is 0
  std::vector<Size> frames;     ///< of each set-up
};

/// By camera, telescope, binning and frame, and by what the match shows: scale (within 0.4 %:
/// focus and temperature move it by some 1e-4, a changed reducer by far more) and mirror image.
/// Members without a match go by their header's focal length (within 2 %).
[[nodiscard]] SetUps sort_by_set_up(std::span<const SetUpMember> members);

}  // namespace coldframe::session
