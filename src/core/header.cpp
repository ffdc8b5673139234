#include "coldframe/core/header.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cmath>

namespace coldframe {
namespace {

bool same_keyword(std::string_view a, std::string_view b) noexcept {
  return a.size() == b.size() && std::equal(a.begin(), a.end(), b.begin(), [](char x, char y) {
           return std::toupper(static_cast<unsigned char>(x)) ==
                  std::toupper(static_cast<unsigned char>(y));
         });
}

std::string upper(std::string_view text) {
  std::string result(text);
  std::transform(result.begin(), result.end(), result.begin(),
                 [](unsigned char c) { return static_cast<char>(std::toupper(c)); });
  return result;
}

std::string_view trimmed(std::string_view text) noexcept {
  while (!text.empty() && std::isspace(static_cast<unsigned char>(text.front())) != 0) {
    text.remove_prefix(1);
  }
  while (!text.empty() && std::isspace(static_cast<unsigned char>(text.back())) != 0) {
    text.remove_suffix(1);
  }
  return text;
}

}  // namespace

const Card* Header::find(std::string_view keyword) const noexcept {
  const Card* empty_one = nullptr;
  for (const Card& card : cards_) {
    if (card.type == Card::Type::commentary || !same_keyword(card.keyword, keyword)) continue;
    if (!trimmed(card.value).empty()) return &card;
    if (empty_one == nullptr) empty_one = &card;  // only when no other card has a value
  }
  return empty_one;
}

namespace {

void put(std::vector<Card>& cards, Card card) {
  const auto found = std::find_if(cards.begin(), cards.end(), [&](const Card& old) {
    return old.type != Card::Type::commentary && same_keyword(old.keyword, card.keyword);
  });
  if (found == cards.end()) {
    cards.push_back(std::move(card));
    return;
  }
  if (card.comment.empty()) card.comment = found->comment;
  *found = std::move(card);
}

}  // namespace

void Header::set(std::string_view keyword, std::string_view value, std::string_view comment) {
  put(cards_, {upper(keyword), std::string(value), std::string(comment), Card::Type::text});
}

void Header::set(std::string_view keyword, const char* value, std::string_view comment) {
  set(keyword, std::string_view(value), comment);
}

void Header::set(std::string_view keyword, double value, std::string_view comment) {
  if (!std::isfinite(value)) {  // FITS has no NaN in headers: the value stays undefined
    put(cards_, {upper(keyword), "", std::string(comment), Card::Type::undefined});
    return;
  }
  std::string digits = fmt::format("{}", value);
  if (digits.find_first_of(".e") == std::string::npos) digits += ".0";
  std::replace(digits.begin(), digits.end(), 'e', 'E');
  put(cards_, {upper(keyword), std::move(digits), std::string(comment), Card::Type::real});
}

void Header::set(std::string_view keyword, std::int64_t value, std::string_view comment) {
  put(cards_,
      {upper(keyword), fmt::format("{}", value), std::string(comment), Card::Type::integer});
}

void Header::set(std::string_view keyword, int value, std::string_view comment) {
  set(keyword, std::int64_t{value}, comment);
}

void Header::set(std::string_view keyword, bool value, std::string_view comment) {
  put(cards_, {upper(keyword), value ? "T" : "F", std::string(comment), Card::Type::logical});
}

void Header::history(std::string_view text) {
  cards_.push_back({"HISTORY", std::string(text), "", Card::Type::commentary});
}

void Header::remove(std::string_view keyword) {
  std::erase_if(cards_, [&](const Card& card) { return same_keyword(card.keyword, keyword); });
}

std::optional<std::string> Header::text(std::string_view keyword) const {
  const Card* card = find(keyword);
  if (card == nullptr) return std::nullopt;
  const auto value = trimmed(card->value);
  if (value.empty()) return std::nullopt;
  return std::string(value);
}

std::optional<double> Header::real(std::string_view keyword) const {
  auto value = text(keyword);
  if (!value) return std::nullopt;
  std::replace_if(
      value->begin(), value->end(), [](char c) { return c == 'D' || c == 'd'; }, 'E');
  std::string_view digits(*value);
  if (digits.starts_with('+') && !digits.starts_with("+-")) digits.remove_prefix(1);
  double number = 0.0;
  const auto [end, fault] = std::from_chars(digits.data(), digits.data() + digits.size(), number);
  if (fault != std::errc{} || end != digits.data() + digits.size() || !std::isfinite(number)) {
    return std::nullopt;
  }
  return number;
}

std::optional<std::int64_t> Header::integer(std::string_view keyword) const {
  const auto number = real(keyword);
  if (!number || std::fabs(*number) > 9.0e15 || std::floor(*number) != *number) return std::nullopt;
  return static_cast<std::int64_t>(*number);
}

std::optional<bool> Header::logical(std::string_view keyword) const {
  const auto value = text(keyword);
  if (!value) return std::nullopt;
  if (same_keyword(*value, "T") || same_keyword(*value, "TRUE")) return true;
  if (same_keyword(*value, "F") || same_keyword(*value, "FALSE")) return false;
  return std::nullopt;
}

}  // namespace coldframe
