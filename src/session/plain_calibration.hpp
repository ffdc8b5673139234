// Files that are taken as they are.
#pragma once

#include <filesystem>
#include <string>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/pipeline/calibration.hpp"

namespace coldframe::session {

/// No masters, PEDESTAL honoured, gain from the header.
[[nodiscard]] pipeline::Calibration plain_calibration(const FrameInfo& info);

/// Name without extension for what is written about a file; no two paths share one.
[[nodiscard]] std::string table_stem(const std::filesystem::path& path);

}  // namespace coldframe::session
