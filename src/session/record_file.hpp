// A record that an earlier run left, read back.
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>

namespace coldframe::session {

/// `path`: a session.json. Holds the lists `results` and `subs`. Throws Error(input).
[[nodiscard]] nlohmann::json read_record_file(const std::filesystem::path& path);

}  // namespace coldframe::session
