// What a header's celestial solution and the sky's clockwork add to the facts of a frame.
#pragma once

#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/header.hpp"
#include "coldframe/sky/ephemeris.hpp"

namespace coldframe::session {

/// Scale and direction of east from the WCS of `header`, when it holds one.
void read_solution(const Header& header, FrameInfo& info);

/// Target, Moon and Sun at the middle of the exposure; unset without a time of day.
[[nodiscard]] std::optional<sky::Circumstances> circumstances_of(const FrameInfo& info);

}  // namespace coldframe::session
