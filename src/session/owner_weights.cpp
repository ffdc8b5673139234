#include "coldframe/session/owner_weights.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <optional>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/folder_lock.hpp"

namespace coldframe::session {
namespace {

constexpr const char* form = "write one 'path,weight' per line, weights from 0 up";

std::string trimmed(const std::string& text) {
  const auto first = text.find_first_not_of(" \t\r");
  if (first == std::string::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

std::string unquoted(const std::string& text) {
  if (text.size() < 2 || text.front() != '"' || text.back() != '"') return text;
  std::string plain;
  for (std::size_t k = 1; k + 1 < text.size(); ++k) {
    plain += text[k];
    if (text[k] == '"' && text[k + 1] == '"') ++k;  // RFC 4180: a quote is doubled
  }
  return plain;
}

std::optional<double> number_in(const std::string& text) {
  double value = 0.0;
  const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (fault != std::errc{} || end != text.data() + text.size()) return std::nullopt;
  return value;
}

[[noreturn]] void refuse(const std::string& source, int line, const std::string& what) {
  throw Error(ErrorKind::usage, source, fmt::format("line {}: {}", line, what), form);
}

std::string file_name(const std::string& path) {
  return std::filesystem::path(path).filename().string();
}

bool names(const OwnerWeight& entry, const std::string& sub) {
  return entry.sub == sub || entry.sub == file_name(sub);
}

OwnerWeight entry_of(const std::string& text, const std::string& source, int line) {
  const auto comma = text.rfind(',');
  if (comma == std::string::npos) refuse(source, line, "no comma");
  const std::string path = unquoted(trimmed(text.substr(0, comma)));
  const std::string figure = trimmed(text.substr(comma + 1));
  if (path.empty()) refuse(source, line, "no path before the comma");
  const auto weight = number_in(figure);
  if (!weight || !std::isfinite(*weight)) {
    refuse(source, line, fmt::format("'{}' is not a number", figure));
  }
  if (*weight < 0.0) refuse(source, line, fmt::format("the weight {} is negative", figure));
  return {path, *weight};
}

}  // namespace

std::vector<OwnerWeight> parse_owner_weights(const std::string& text, const std::string& source) {
  std::vector<OwnerWeight> table;
  int line = 0;
  for (std::size_t from = 0; from < text.size();) {
    const auto end = std::min(text.find('\n', from), text.size());
    const std::string content = trimmed(text.substr(from, end - from));
    from = end + 1;
    ++line;
    if (content.empty() || content.front() == '#') continue;
    if (table.empty() && content == "path,weight") continue;
    auto entry = entry_of(content, source, line);
    const bool twice = std::any_of(table.begin(), table.end(),
                                   [&](const auto& other) { return other.sub == entry.sub; });
    if (twice) refuse(source, line, fmt::format("'{}' has a weight already", entry.sub));
    table.push_back(std::move(entry));
  }
  const bool any = std::any_of(table.begin(), table.end(),
                               [](const OwnerWeight& entry) { return entry.weight > 0.0; });
  if (!any) throw Error(ErrorKind::usage, source, "gives no sub a weight above 0", form);
  return table;
}

std::vector<OwnerWeight> read_owner_weights(const std::filesystem::path& path) {
  return parse_owner_weights(fits::read_text(path), path.string());
}

double owner_weight(std::span<const OwnerWeight> table, const std::string& name) {
  // A full path goes before a bare file name, which several folders may hold.
  for (const auto& entry : table) {
    if (entry.sub == name) return entry.weight;
  }
  for (const auto& entry : table) {
    if (names(entry, name)) return entry.weight;
  }
  return -1.0;
}

void check_owner_weights(std::span<const OwnerWeight> table, std::span<const std::string> subs) {
  for (const auto& entry : table) {
    const bool known = std::any_of(subs.begin(), subs.end(),
                                   [&](const std::string& sub) { return names(entry, sub); });
    if (!known) {
      throw Error(ErrorKind::usage, entry.sub, "has a weight but is none of the lights",
                  "name subs in the table of weights as the survey lists them");
    }
  }
  for (const auto& sub : subs) {
    if (owner_weight(table, sub) >= 0.0) continue;
    throw Error(ErrorKind::usage, sub, "has no line in the table of weights",
                "give it a weight; 0 leaves it out");
  }
}

std::vector<std::string> weightless_subs(std::span<const OwnerWeight> table,
                                         std::span<const std::string> subs) {
  std::vector<std::string> names_of;
  for (const auto& sub : subs) {
    if (owner_weight(table, sub) == 0.0) names_of.push_back(sub);
  }
  return names_of;
}

}  // namespace coldframe::session
