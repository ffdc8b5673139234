#include "line_names.hpp"

#include <algorithm>
#include <cctype>
#include <charconv>
#include <utility>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/session/options.hpp"

namespace coldframe::session {
namespace {

struct LineWord {
  std::string_view word;
  std::string_view name;
  bool red;
};

// Longer spellings first: "halpha" must not be read as "ha" and a rest. Common practice, no source.
constexpr LineWord line_words[] = {
    {"hydrogenalpha", "Ha", true}, {"halpha", "Ha", true},  {"hbeta", "Hb", false},
    {"oxygeniii", "OIII", false},  {"oiii", "OIII", false}, {"sii", "SII", true},
    {"nii", "NII", true},          {"o3", "OIII", false},   {"s2", "SII", true},
    {"n2", "NII", true},           {"ha", "Ha", true},      {"hb", "Hb", false}};
constexpr std::string_view dual_words[] = {"dualband", "duoband", "twoband",   "twinband",
                                           "dual",     "duo",     "duonarrow", "dualnarrow"};
constexpr std::string_view fill_words[] = {"narrowband", "narrow", "nb", "band",   "filter",
                                           "line",       "and",    "nm", "colour", "color"};
constexpr std::string_view broad_words[] = {
    "l", "lum", "luminance", "r",     "red",  "g",  "green", "b",     "blue",    "v",     "u",
    "i", "z",   "c",         "clear", "uvir", "ir", "uv",    "ircut", "uvircut", "white", "visual"};

std::string letters_and_digits(std::string_view text) {
  std::string out;
  for (const char c : text) {
    const auto u = static_cast<unsigned char>(c);
    if (std::isalnum(u) != 0) out += static_cast<char>(std::tolower(u));
  }
  return out;
}

struct Reading {
  std::vector<const LineWord*> lines;
  bool dual = false;
  bool whole = true;  // nothing was left that is not understood
};

// Takes known words off the front, one after the other; widths in nanometres are passed over.
Reading read_name(std::string_view rest) {
  Reading reading;
  while (!rest.empty()) {
    const auto take = [&](std::string_view word) {
      if (!rest.starts_with(word)) return false;
      rest.remove_prefix(word.size());
      return true;
    };
    const auto* const line = std::find_if(std::begin(line_words), std::end(line_words),
                                          [&](const LineWord& w) { return take(w.word); });
    if (line != std::end(line_words)) {
      reading.lines.push_back(line);
      continue;
    }
    if (std::any_of(std::begin(dual_words), std::end(dual_words), take)) {
      reading.dual = true;
      continue;
    }
    if (std::any_of(std::begin(fill_words), std::end(fill_words), take)) continue;
    if (std::isdigit(static_cast<unsigned char>(rest.front())) != 0) {
      rest.remove_prefix(1);
      continue;
    }
    reading.whole = false;
    break;
  }
  return reading;
}

std::vector<std::string> split(const std::string& text) {
  std::vector<std::string> parts(1);
  for (const char c : text) {
    if (c == ',') {
      parts.emplace_back();
    } else if (c != ' ') {
      parts.back() += c;
    }
  }
  return parts;
}

sensor::Crosstalk crosstalk_of(const std::string& text) {
  const auto parts = split(text);
  sensor::Crosstalk crosstalk;
  bool good = parts.size() == 6;
  for (std::size_t k = 0; good && k < 6; ++k) {
    const char* const begin = parts[k].data();
    const auto [end, error] =
        std::from_chars(begin, begin + parts[k].size(), crosstalk.response[k / 2][k % 2]);
    good = error == std::errc() && end == begin + parts[k].size() && !parts[k].empty();
  }
  if (!good) {
    throw Error(ErrorKind::usage, "", "crosstalk '" + text + "' is not six numbers",
                "give R1,R2,G1,G2,B1,B2, for example 1,0.06,0.12,1,0.05,0.6");
  }
  return crosstalk;
}

}  // namespace

bool usual_crosstalk_holds(const std::array<std::string, 2>& lines) {
  const auto* const first = std::find_if(std::begin(line_words), std::end(line_words),
                                         [&](const LineWord& w) { return w.name == lines[0]; });
  return first != std::end(line_words) && first->red && lines[1] == "OIII";
}

LineOptions line_options(const std::string& lines, const std::string& crosstalk) {
  LineOptions options;
  if (!crosstalk.empty()) options.crosstalk = crosstalk_of(crosstalk);
  if (lines == "auto") return options;
  if (lines == "none") {
    options.choice = LineOptions::Choice::off;
    return options;
  }
  const auto parts = split(lines);
  if (parts.size() != 2 || line_name(parts[0]).empty() || line_name(parts[1]).empty() ||
      line_name(parts[0]) == line_name(parts[1])) {
    throw Error(ErrorKind::usage, "", "lines '" + lines + "' are not two emission lines",
                "give two of Ha, OIII, SII, NII, Hb, for example Ha,OIII, or auto or none");
  }
  options.choice = LineOptions::Choice::named;
  options.names = {line_name(parts[0]), line_name(parts[1])};
  // The usual crosstalk has the red line first; an owner's comes in the owner's order.
  if (!options.crosstalk && usual_crosstalk_holds({options.names[1], options.names[0]})) {
    std::swap(options.names[0], options.names[1]);
  }
  return options;
}

std::string line_name(std::string_view text) {
  const std::string plain = letters_and_digits(text);
  for (const auto& line : line_words) {
    if (plain == line.word) return std::string(line.name);
  }
  return {};
}

FilterLines lines_of_filter(std::string_view filter) {
  FilterLines sense;
  const std::string plain = letters_and_digits(filter);
  if (plain.empty() || plain == "colour" || plain == "color") return sense;
  if (std::find(std::begin(broad_words), std::end(broad_words), plain) != std::end(broad_words)) {
    sense.kind = FilterLines::Kind::other;
    return sense;
  }
  const Reading reading = read_name(plain);
  if (!reading.whole && !(reading.dual && reading.lines.empty())) return sense;
  if (reading.lines.empty()) {
    if (!reading.dual) return sense;
    sense.kind = FilterLines::Kind::two;
    sense.lines = {"Ha", "OIII"};
    return sense;
  }
  sense.kind = FilterLines::Kind::other;
  if (reading.lines.size() != 2 || reading.lines[0]->red == reading.lines[1]->red) return sense;
  const auto* red = reading.lines[0];
  const auto* blue = reading.lines[1];
  if (!red->red) std::swap(red, blue);
  sense.kind = FilterLines::Kind::two;
  sense.lines = {std::string(red->name), std::string(blue->name)};
  return sense;
}

}  // namespace coldframe::session
