#include "folder_labels.hpp"

#include <fmt/format.h>

#include <set>

namespace coldframe::session {
namespace {

// The last `parts` parts of a path.
std::string tail(const std::filesystem::path& folder, int parts) {
  auto path = std::filesystem::absolute(folder).lexically_normal();
  if (path.filename().empty()) path = path.parent_path();
  std::string text = path.filename().string();
  for (int k = 1; k < parts && path.has_parent_path(); ++k) {
    path = path.parent_path();
    if (!path.filename().empty()) text = path.filename().string() + "/" + text;
  }
  return text;
}

}  // namespace

std::vector<std::string> folder_labels(const std::vector<std::filesystem::path>& folders) {
  if (folders.size() < 2) return std::vector<std::string>(folders.size());
  std::vector<std::string> labels;
  constexpr int most_parts = 4;
  for (int parts = 1; parts <= most_parts; ++parts) {
    labels.clear();
    for (const auto& folder : folders) labels.push_back(tail(folder, parts));
    if (std::set<std::string>(labels.begin(), labels.end()).size() == labels.size()) return labels;
  }
  std::set<std::string> used;
  for (auto& label : labels) {
    const std::string base = label;
    for (int k = 2; !used.insert(label).second; ++k) label = fmt::format("{}-{}", base, k);
  }
  return labels;
}

}  // namespace coldframe::session
