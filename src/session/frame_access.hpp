// Small things that several session files need around frames on disk.
#pragma once

#include <filesystem>
#include <string_view>
#include <vector>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/session/options.hpp"

namespace coldframe::fits {
class ImageFile;
}

namespace coldframe::session {

/// Card that marks files written by this program; its value is the version.
inline constexpr std::string_view program_keyword = "CFVERSN";

/// Throws Error(input) when nothing stands under a name that the owner gave.
void require_exists(const std::filesystem::path& path);

/// The facts of a header with the owner's cards where it is silent.
[[nodiscard]] FrameInfo interpret_with_supplied(const fits::ImageFile& file,
                                                const std::vector<SuppliedCard>& supplied);

}  // namespace coldframe::session
