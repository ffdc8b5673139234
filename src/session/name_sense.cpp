#include "name_sense.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <map>
#include <utility>
#include <vector>

namespace coldframe::session {
namespace {

bool is_kind(unsigned char c, int (*test)(int)) { return test(c) != 0; }

// Common practice, no source.
constexpr std::array<std::pair<std::string_view, std::string_view>, 16> spellings{{
    {"lum", "l"},
    {"luminance", "l"},
    {"red", "r"},
    {"green", "g"},
    {"blue", "b"},
    {"h-alpha", "ha"},
    {"halpha", "ha"},
    {"h alpha", "ha"},
    {"oiii", "o3"},
    {"o iii", "o3"},
    {"[oiii]", "o3"},
    {"o-iii", "o3"},
    {"sii", "s2"},
    {"s ii", "s2"},
    {"[sii]", "s2"},
    {"s-ii", "s2"},
}};

using Text = std::string FrameInfo::*;
using Key = std::string (*)(std::string_view);

struct Spelling {
  std::string name;
  std::size_t count = 0;
};

// Spellings by key, in the order of the frames, lights before the rest.
std::map<std::string, std::vector<Spelling>> gather(const Inventory& inventory, Text text, Key key,
                                                    bool lights) {
  std::map<std::string, std::vector<Spelling>> found;
  for (const auto& frame : inventory.frames) {
    const std::string& name = frame.info.*text;
    if (name.empty() || (frame.info.kind == FrameKind::light) != lights) continue;
    auto& known = found[key(name)];
    const auto same =
        std::find_if(known.begin(), known.end(), [&](const Spelling& s) { return s.name == name; });
    if (same == known.end()) {
      known.push_back({name, 1});
    } else {
      ++same->count;
    }
  }
  return found;
}

std::map<std::string, std::string> chosen_spellings(const Inventory& inventory, Text text,
                                                    Key key) {
  std::map<std::string, std::string> chosen;
  for (const bool lights : {true, false}) {
    for (const auto& [meaning, known] : gather(inventory, text, key, lights)) {
      const auto most =
          std::max_element(known.begin(), known.end(),
                           [](const auto& a, const auto& b) { return a.count < b.count; });
      chosen.emplace(meaning, most->name);  // what the lights say stays
    }
  }
  return chosen;
}

void unify(Inventory& inventory, Text text, Key key, const char* what) {
  const auto chosen = chosen_spellings(inventory, text, key);
  std::map<std::string, Warning> changed;
  for (auto& frame : inventory.frames) {
    std::string& name = frame.info.*text;
    if (name.empty()) continue;
    const std::string& better = chosen.at(key(name));
    if (name == better) continue;
    auto& warning = changed[better];
    warning.code = fmt::format("{}-spelling", what);
    warning.message =
        fmt::format("{} spelled in several ways is taken for one: '{}'", what, better);
    warning.files.push_back(frame.name);
    name = better;
  }
  for (auto& [name, warning] : changed) inventory.warnings.push_back(std::move(warning));
}

void fill_gaps(Inventory& inventory, Text text, Key key, const char* what, const char* keyword) {
  const auto known = gather(inventory, text, key, true);
  if (known.size() != 1) return;
  const std::string name = known.begin()->second.front().name;
  Warning warning{
      fmt::format("{}-missing", what),
      fmt::format("lights without {} are taken to show the same as all others, '{}'; supply "
                  "{} to say otherwise",
                  keyword, name, keyword),
      {}};
  for (auto& frame : inventory.frames) {
    if (frame.info.kind != FrameKind::light || !(frame.info.*text).empty()) continue;
    frame.info.*text = name;
    warning.files.push_back(frame.name);
  }
  if (!warning.files.empty()) inventory.warnings.push_back(std::move(warning));
}

}  // namespace

std::string folded_name(std::string_view name) {
  std::string folded;
  bool gap = false;
  for (const char c : name) {
    const auto byte = static_cast<unsigned char>(c);
    if (is_kind(byte, std::isspace) || c == '_') {
      gap = true;
      continue;
    }
    const bool counted = !folded.empty() && is_kind(byte, std::isdigit) &&
                         is_kind(static_cast<unsigned char>(folded.back()), std::isalpha);
    if (gap && !folded.empty() && !counted) folded += ' ';
    gap = false;
    folded += static_cast<char>(std::tolower(byte));
  }
  return folded;
}

std::string filter_key(std::string_view filter) {
  std::string folded = folded_name(filter);
  const auto known = std::find_if(spellings.begin(), spellings.end(),
                                  [&](const auto& entry) { return entry.first == folded; });
  return known == spellings.end() ? folded : std::string(known->second);
}

void unify_names(Inventory& inventory) {
  unify(inventory, &FrameInfo::object, folded_name, "object");
  unify(inventory, &FrameInfo::filter, filter_key, "filter");
  fill_gaps(inventory, &FrameInfo::object, folded_name, "object", "OBJECT");
  fill_gaps(inventory, &FrameInfo::filter, filter_key, "filter", "FILTER");
}

}  // namespace coldframe::session
