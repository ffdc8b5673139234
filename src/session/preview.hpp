// The small picture of a finished image.
#pragma once

#include <filesystem>
#include <optional>

#include "coldframe/sky/photometry.hpp"

#include "coldframe/core/image.hpp"
#include "coldframe/fits/image_file.hpp"

namespace coldframe::session {

/// Mean over square bins so that no side is longer than `longest_px`; read a strip at a time.
[[nodiscard]] Image binned_image(const fits::ImageFile& file, int longest_px);

/// Bins the image to at most 1600 px, stretches it and writes a PNG.
/// `balance`: factors of red and blue; unset: found in the picture.
void write_preview(const std::filesystem::path& image, const std::filesystem::path& png,
                   const std::optional<sky::ColourBalance>& balance = {});

}  // namespace coldframe::session
