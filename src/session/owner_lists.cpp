#include "owner_lists.hpp"

#include <fmt/format.h>

#include <algorithm>

namespace coldframe::session {

bool listed(const std::vector<std::string>& names, const std::string& sub,
            const std::filesystem::path& path) {
  return std::any_of(names.begin(), names.end(), [&](const std::string& name) {
    const std::filesystem::path given(name);
    return name == sub || path == given || path.filename() == given;
  });
}

void warn_of_unknown_names(Inventory& inventory, const KeepLimits& limits) {
  std::vector<std::string> unknown;
  for (const auto* names : {&limits.keep_only, &limits.drop}) {
    for (const auto& name : *names) {
      const bool known =
          std::any_of(inventory.frames.begin(), inventory.frames.end(),
                      [&](const FrameEntry& f) { return listed({name}, f.name, f.path); });
      if (!known) unknown.push_back(name);
    }
  }
  if (unknown.empty()) return;
  inventory.warnings.push_back(
      {"unknown-name",
       fmt::format("{} of the names to keep or drop belong to no frame of the session; write them "
                   "as the survey lists them",
                   unknown.size()),
       unknown});
}

}  // namespace coldframe::session
