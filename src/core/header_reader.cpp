#include "header_reader.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "header_values.hpp"

namespace coldframe::detail {

bool says_nothing(std::string_view text) {
  constexpr std::array nothing{"",    "n/a",     "na",    "none",         "null",
                               "nil", "unknown", "-",     "undefined",    "not set",
                               "nan", "?",       "unset", "not available"};
  const auto word = lower(trimmed(text));
  return std::find(nothing.begin(), nothing.end(), word) != nothing.end();
}

std::vector<HeaderReader::Found> HeaderReader::cards(Fact fact) const {
  std::vector<Found> found;
  for (const auto& row : spelling_table()) {
    if (row.fact != fact) continue;
    const Card* card = header_.find(row.keyword);
    if (card != nullptr && !trimmed(card->value).empty()) found.push_back({card, row.factor});
  }
  return found;
}

std::string HeaderReader::text(Fact fact) const {
  for (const auto& found : cards(fact)) {
    if (!says_nothing(found.card->value)) return std::string(trimmed(found.card->value));
  }
  return "";
}

std::optional<double> HeaderReader::number_of(const Card& card) {
  Header one;
  one.add(card);
  if (const auto value = one.real(card.keyword)) return value;
  // A unit behind the number: letters only, so that dates and ranges do not pass.
  const auto text = trimmed(card.value);
  const auto end = text.find_last_of("0123456789.");
  if (end == std::string_view::npos || end + 1 == text.size()) return std::nullopt;
  const auto unit = trimmed(text.substr(end + 1));
  if (unit.size() > 7 || unit.find_first_of("0123456789:/") != std::string_view::npos) {
    return std::nullopt;
  }
  Card stripped = card;
  stripped.value = std::string(text.substr(0, end + 1));
  Header again;
  again.add(std::move(stripped));
  return again.real(card.keyword);
}

void HeaderReader::reject(const Card& card, std::string_view why) {
  problems_.push_back(
      fmt::format("{} = {}: {}", card.keyword, printable(trimmed(card.value)), why));
}

std::optional<double> HeaderReader::number(Fact fact, double low, double high) {
  for (const auto& [card, factor] : cards(fact)) {
    if (says_nothing(card->value)) continue;
    const auto value = number_of(*card);
    if (!value) {
      reject(*card, "not a number");
    } else if (!(*value * factor >= low && *value * factor <= high)) {
      reject(*card, "out of range");
    } else {
      return *value * factor;
    }
  }
  return std::nullopt;
}

}  // namespace coldframe::detail
