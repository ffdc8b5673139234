// What kind of frame a header or a file name speaks of.
#include <algorithm>
#include <array>
#include <cctype>

#include "coldframe/core/frame_info.hpp"
#include "header_reader.hpp"
#include "header_values.hpp"

namespace coldframe {

std::string_view to_string(FrameKind kind) noexcept {
  switch (kind) {
    case FrameKind::light:
      return "light";
    case FrameKind::dark:
      return "dark";
    case FrameKind::flat:
      return "flat";
    case FrameKind::bias:
      return "bias";
    case FrameKind::flat_dark:
      return "flat-dark";
    case FrameKind::unknown:
      break;
  }
  return "unknown";
}

namespace {

// Letters in lower case without allocation: image types are short.
struct Letters {
  std::array<char, 64> characters{};
  std::size_t count = 0;
  [[nodiscard]] std::string_view view() const noexcept { return {characters.data(), count}; }
};

Letters squeeze(std::string_view text) noexcept {
  Letters letters;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (std::isalpha(byte) == 0 || letters.count == letters.characters.size()) continue;
    letters.characters[letters.count++] = static_cast<char>(std::tolower(byte));
  }
  return letters;
}

bool has(std::string_view text, std::string_view part) noexcept {
  return text.find(part) != std::string_view::npos;
}

}  // namespace

// Spellings of camera drivers and observatories: common practice, no source.
FrameKind frame_kind_from_text(std::string_view text) noexcept {
  const Letters letters = squeeze(text);
  const std::string_view word = letters.view();
  const bool flat = has(word, "flat") || word == "twilight";
  const bool dark = has(word, "dark");
  if (flat && dark) return FrameKind::flat_dark;
  if (flat) return FrameKind::flat;
  if (dark) return FrameKind::dark;
  if (has(word, "bias") || has(word, "zero") || has(word, "offset")) return FrameKind::bias;
  constexpr std::array beginnings{"light",  "object", "science", "target",   "sci",
                                  "expose", "tricol", "std",     "standard", "masterlight"};
  for (const std::string_view beginning : beginnings) {
    if (word.starts_with(beginning)) return FrameKind::light;
  }
  return FrameKind::unknown;
}

namespace detail {
namespace {

// The name cut into words at anything but letters and at a change from small to capital.
std::vector<std::string> words_of(std::string_view name) {
  std::vector<std::string> words(1);
  char before = '\0';
  for (const char c : name) {
    const auto byte = static_cast<unsigned char>(c);
    const bool small_to_capital =
        std::islower(static_cast<unsigned char>(before)) != 0 && std::isupper(byte) != 0;
    if ((std::isalpha(byte) == 0 || small_to_capital) && !words.back().empty()) {
      words.emplace_back();
    }
    if (std::isalpha(byte) != 0) words.back() += static_cast<char>(std::tolower(byte));
    before = c;
  }
  return words;
}

bool any_of(const std::vector<std::string>& words, std::initializer_list<std::string_view> wanted) {
  return std::any_of(words.begin(), words.end(), [&](const std::string& word) {
    return std::find(wanted.begin(), wanted.end(), word) != wanted.end();
  });
}

FrameKind kind_from_name(const std::vector<std::string>& words) {
  const bool flat = any_of(words, {"flat", "flats", "skyflat", "domeflat", "masterflat"});
  const bool dark = any_of(words, {"dark", "darks", "masterdark"});
  if ((flat && dark) || any_of(words, {"flatdark", "flatdarks", "darkflat", "darkflats"})) {
    return FrameKind::flat_dark;
  }
  if (flat) return FrameKind::flat;
  if (dark) return FrameKind::dark;
  if (any_of(words, {"bias", "biases", "zero", "zeros", "masterbias"})) return FrameKind::bias;
  if (any_of(words, {"light", "lights"})) return FrameKind::light;
  return FrameKind::unknown;
}

}  // namespace

void read_kind(HeaderReader& reader, std::string_view file_name, FrameInfo& info) {
  bool spoke = false;
  for (const auto& found : reader.cards(Fact::kind)) {
    const auto kind = frame_kind_from_text(found.card->value);
    const auto word = letters_of(found.card->value);
    if (has(word, "master") || has(word, "super")) info.is_master = true;
    if (kind != FrameKind::unknown) {
      info.kind = kind;
      break;
    }
    // These keywords also name reference frames and exposure modes elsewhere: no complaint.
    const auto keyword = lower(found.card->keyword);
    if (keyword == "frame" || keyword == "exptype" || keyword == "eso dpr catg") continue;
    spoke = true;
    reader.reject(*found.card, "unknown type of frame");
  }
  if (info.kind == FrameKind::unknown && !spoke) {
    const auto words = words_of(file_name.substr(0, file_name.find_last_of('.')));
    info.kind = kind_from_name(words);
    if (info.kind != FrameKind::unknown &&
        any_of(words, {"master", "masterdark", "masterflat", "masterbias"})) {
      info.is_master = true;
    }
  }
  for (const auto& found : reader.cards(Fact::combined_count)) {
    const auto count = HeaderReader::number_of(*found.card);
    if (count && *count > 1.0) info.is_master = true;
  }
}

}  // namespace detail
}  // namespace coldframe
