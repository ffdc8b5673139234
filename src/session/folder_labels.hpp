// Short names that tell a session's folders apart.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

namespace coldframe::session {

/// The last part of each path, or as many parts as make them differ; where that fails a number is
/// added. One folder alone needs no label: "".
[[nodiscard]] std::vector<std::string> folder_labels(
    const std::vector<std::filesystem::path>& folders);

}  // namespace coldframe::session
