#include "digest.hpp"

#include <fmt/format.h>

#include <cctype>

namespace coldframe::session {

std::string digest(std::string_view text) {
  std::uint64_t hash = 0xcbf29ce484222325ULL;
  for (const char c : text) {
    hash ^= static_cast<unsigned char>(c);
    hash *= 0x100000001b3ULL;
  }
  return fmt::format("{:016x}", hash);
}

std::string safe_file_name(std::string_view text) {
  std::string name;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    const bool plain = std::isalnum(byte) != 0 || c == '.' || c == '-' || c == '_' || c == '+';
    name += plain || byte >= 0x80U ? c : '_';
  }
  while (name.starts_with('.')) name.erase(0, 1);
  constexpr std::size_t longest = 100;
  if (name.size() > longest) name.resize(longest);
  return name.empty() ? "unnamed" : name;
}

}  // namespace coldframe::session
