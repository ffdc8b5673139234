// Opening subs for the passes: files with cheap regions are opened anew per
// tile, so that open files stay few; whole-file compressed ones stay in memory while that fits.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>

#include "coldframe/core/pixel_source.hpp"

namespace coldframe::session {

/// `stay_open`: opened at the first call and shared from then on.
[[nodiscard]] std::function<std::shared_ptr<const PixelSource>()> sub_opener(
    std::filesystem::path path, bool stay_open);

}  // namespace coldframe::session
