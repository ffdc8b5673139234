// The owner's lists of subs to keep or drop.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "coldframe/session/inventory.hpp"
#include "coldframe/session/options.hpp"

namespace coldframe::session {

/// Whether a list names this sub: by its name in the session, its path, or its file name alone.
[[nodiscard]] bool listed(const std::vector<std::string>& names, const std::string& sub,
                          const std::filesystem::path& path);

/// One warning (code "unknown-name") for names on the lists that no frame of the session bears: a
/// slip of the pen must not keep a spoiled sub in silence.
void warn_of_unknown_names(Inventory& inventory, const KeepLimits& limits);

}  // namespace coldframe::session
