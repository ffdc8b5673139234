// The small picture of a finished image.
#pragma once

#include <filesystem>

namespace coldframe::session {

/// Bins the image to at most 1600 px, stretches it and writes a PNG.
void write_preview(const std::filesystem::path& image, const std::filesystem::path& png);

}  // namespace coldframe::session
