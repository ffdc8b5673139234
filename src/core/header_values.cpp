#include "header_values.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <charconv>
#include <chrono>
#include <cmath>

namespace coldframe::detail {
namespace {

bool is_space(char c) noexcept { return std::isspace(static_cast<unsigned char>(c)) != 0; }
bool is_digit(char c) noexcept { return c >= '0' && c <= '9'; }
bool is_letter(char c) noexcept { return std::isalpha(static_cast<unsigned char>(c)) != 0; }

std::optional<int> whole_number(std::string_view text) noexcept {
  text = trimmed(text);
  if (text.starts_with('+')) text.remove_prefix(1);
  int value = 0;
  const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (text.empty() || fault != std::errc{} || end != text.data() + text.size()) return std::nullopt;
  return value;
}

// An unsigned decimal number at the front, taken off the text.
std::optional<double> take_number(std::string_view& text) noexcept {
  if (text.empty() || !(is_digit(text.front()) || text.front() == '.')) return std::nullopt;
  double value = 0.0;
  const auto [end, fault] =
      std::from_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed);
  if (fault != std::errc{}) return std::nullopt;
  text.remove_prefix(static_cast<std::size_t>(end - text.data()));
  return value;
}

// Blanks, colons, unit letters and degree signs between the parts.
void skip_separators(std::string_view& text) noexcept {
  constexpr std::string_view separators = ":hdmsHDMS'\"\xC2\xB0\xBA";
  while (!text.empty() &&
         (is_space(text.front()) || separators.find(text.front()) != std::string_view::npos)) {
    text.remove_prefix(1);
  }
}

// A hemisphere letter at the end, taken off. After unit letters an S means seconds.
char take_hemisphere(std::string_view& text) noexcept {
  if (text.empty()) return '\0';
  const char last = static_cast<char>(std::toupper(static_cast<unsigned char>(text.back())));
  if (std::string_view("NSEW").find(last) == std::string_view::npos) return '\0';
  const auto units = std::count_if(text.begin(), text.end(), is_letter);
  if (last == 'S' && units > 1) return '\0';
  text.remove_suffix(1);
  text = trimmed(text);
  return last;
}

}  // namespace

std::string_view trimmed(std::string_view text) noexcept {
  while (!text.empty() && is_space(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_space(text.back())) text.remove_suffix(1);
  return text;
}

std::string lower(std::string_view text) {
  std::string result(text);
  std::transform(result.begin(), result.end(), result.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return result;
}

std::string letters_of(std::string_view text) {
  std::string result = lower(text);
  std::erase_if(result, [](char c) { return !is_letter(c); });
  return result;
}

std::optional<Angle> parse_angle(std::string_view text) noexcept {
  text = trimmed(text);
  Angle angle;
  angle.hemisphere = take_hemisphere(text);
  double sign = 1.0;
  if (!text.empty() && (text.front() == '-' || text.front() == '+')) {
    if (text.front() == '-') sign = -1.0;
    text.remove_prefix(1);
    text = trimmed(text);
  }
  std::array<double, 3> parts{};
  std::size_t count = 0;
  for (; count < parts.size() && !text.empty(); ++count) {
    const auto number = take_number(text);
    if (!number) return std::nullopt;
    parts[count] = *number;
    skip_separators(text);
  }
  const bool fits = parts[1] <= 60.0 && parts[2] <= 60.0;  // 60 where a writer rounded up
  if (count == 0 || !text.empty() || !fits) return std::nullopt;
  angle.sexagesimal = count > 1;
  angle.value = sign * (parts[0] + parts[1] / 60.0 + parts[2] / 3600.0);
  return angle;
}

std::optional<std::string> parse_date(std::string_view text) {
  text = trimmed(text);
  const auto first = text.find_first_of("-/");
  if (first == std::string_view::npos) return std::nullopt;
  const auto second = text.find(text[first], first + 1);
  if (second == std::string_view::npos) return std::nullopt;
  const auto a = whole_number(text.substr(0, first));
  const auto b = whole_number(text.substr(first + 1, second - first - 1));
  const auto c = whole_number(text.substr(second + 1));
  if (!a || !b || !c || *a < 0 || *b < 0 || *c < 0) return std::nullopt;
  int year = *a;
  int day = *c;
  if (first != 4) {  // the form of the first FITS standard: two digits, always 19YY
    if (text[first] != '/') return std::nullopt;
    day = *a;
    year = *c < 100 ? 1900 + *c : *c;
  }
  const std::chrono::year_month_day date{std::chrono::year(year),
                                         std::chrono::month(static_cast<unsigned>(*b)),
                                         std::chrono::day(static_cast<unsigned>(day))};
  if (!date.ok() || year < 1800 || year > 9999) return std::nullopt;
  return fmt::format("{:04}-{:02}-{:02}", year, *b, day);
}

std::optional<std::string> parse_time_of_day(std::string_view text) {
  text = trimmed(text);
  const auto angle = parse_angle(text);
  if (!angle || angle->hemisphere != '\0' || !(angle->value >= 0.0 && angle->value < 24.0)) {
    return std::nullopt;
  }
  // Thousandths: what clocks of cameras write, and what text can hold without noise.
  const auto thousandths = std::llround(angle->value * 3'600'000.0);
  if (thousandths >= 86'400'000) return std::nullopt;
  const auto seconds = thousandths / 1000;
  const auto rest = thousandths % 1000;
  auto result = fmt::format("{:02}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60);
  if (rest != 0) result += fmt::format(".{:03}", rest);
  return result;
}

namespace {

// "a:b" (1-based, inclusive, either order) as a half-open range of `length` pixels.
std::optional<std::array<int, 2>> parse_range(std::string_view text, int length) noexcept {
  text = trimmed(text);
  if (text == ":" || text == "*") return std::array{0, length};
  const auto colon = text.find(':');
  if (colon == std::string_view::npos) return std::nullopt;
  const auto from = whole_number(text.substr(0, colon));
  const auto to = whole_number(text.substr(colon + 1));
  constexpr int limit = 1 << 30;
  if (!from || !to || *from < -limit || *to < -limit || *from > limit || *to > limit) {
    return std::nullopt;
  }
  return std::array{std::min(*from, *to) - 1, std::max(*from, *to)};
}

}  // namespace

std::optional<Rect> parse_section(std::string_view text, Size frame) noexcept {
  text = trimmed(text);
  if (!text.starts_with('[') || !text.ends_with(']')) return std::nullopt;
  text = text.substr(1, text.size() - 2);
  const auto comma = text.find(',');
  if (comma == std::string_view::npos) return std::nullopt;
  const auto x = parse_range(text.substr(0, comma), frame.width);
  const auto y = parse_range(text.substr(comma + 1), frame.height);
  if (!x || !y) return std::nullopt;
  return Rect{(*x)[0], (*y)[0], (*x)[1], (*y)[1]};
}

}  // namespace coldframe::detail
