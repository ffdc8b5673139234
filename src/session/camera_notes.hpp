// What limits the figures of a camera, and what more frames would add.
#pragma once

#include "coldframe/session/camera.hpp"

namespace coldframe::session {

/// Share of dark pixels at the lowest possible code (0, or -32768): cut off by the converter.
[[nodiscard]] double share_at_zero(const sensor::CodeHistogram& dark);

void add_notes(CameraMeasurement& camera);

/// "red", "green (1)", "green (2)", "blue" of a site of the 2 x 2 cell.
[[nodiscard]] std::string site_name(CfaPattern cfa, int site);

}  // namespace coldframe::session
