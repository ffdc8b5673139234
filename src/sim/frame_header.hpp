/// \file
/// Headers as a camera's driver would write them.
#pragma once

#include "coldframe/core/header.hpp"
#include "coldframe/sim/render.hpp"

namespace coldframe::sim {

/// True for "YYYY-MM-DDTHH:MM:SS" that names a real moment.
[[nodiscard]] bool is_iso_moment(const std::string& text);
/// `sub` is null for anything but a light.
[[nodiscard]] Header frame_header(const Scene& scene, const FramePlan& frame, const TrueSub* sub);

}  // namespace coldframe::sim
