// Dates of the `frame_info` header: ISO text, seconds since 1970, nights.
#include <fmt/format.h>

#include <charconv>
#include <chrono>
#include <cmath>

#include "coldframe/core/frame_info.hpp"
#include "header_values.hpp"

namespace coldframe {
namespace {

constexpr double day_s = 86400.0;

// Two digits at the front, taken off.
std::optional<int> take_two(std::string_view& text) noexcept {
  const auto digit = [](char c) { return c >= '0' && c <= '9'; };
  if (text.size() < 2 || !digit(text[0]) || !digit(text[1])) return std::nullopt;
  const int value = 10 * (text[0] - '0') + (text[1] - '0');
  text.remove_prefix(2);
  return value;
}

bool take(std::string_view& text, char c) noexcept {
  if (!text.starts_with(c)) return false;
  text.remove_prefix(1);
  return true;
}

std::optional<double> take_seconds(std::string_view& text) noexcept {
  std::size_t length = 0;
  while (length < text.size() &&
         ((text[length] >= '0' && text[length] <= '9') || text[length] == '.')) {
    ++length;
  }
  double value = 0.0;
  const auto [end, fault] = std::from_chars(text.data(), text.data() + length, value);
  if (length == 0 || fault != std::errc{} || end != text.data() + length) return std::nullopt;
  text.remove_prefix(length);
  return value;
}

// hh:mm[:ss[.s]] in seconds, taken off the text.
std::optional<double> take_clock(std::string_view& text) noexcept {
  const auto hours = take_two(text);
  if (!hours || !take(text, ':')) return std::nullopt;
  const auto minutes = take_two(text);
  if (!minutes) return std::nullopt;
  double seconds = 0.0;
  if (take(text, ':')) {
    const auto read = take_seconds(text);
    if (!read) return std::nullopt;
    seconds = *read;
  }
  // 60: a leap second. 24:00:00 is midnight at the day's end (ISO 8601).
  const bool midnight = *hours == 24 && *minutes == 0 && seconds == 0.0;
  if ((*hours > 23 && !midnight) || *minutes > 59 || seconds >= 61.0) return std::nullopt;
  return 3600.0 * *hours + 60.0 * *minutes + seconds;
}

// "Z", nothing, or an offset from UTC such as +02:00, in seconds.
std::optional<double> zone_offset(std::string_view text) noexcept {
  if (text.empty() || text == "Z" || text == "z") return 0.0;
  const double sign = text.front() == '-' ? -1.0 : 1.0;
  if (!take(text, '-') && !take(text, '+')) return std::nullopt;
  const auto hours = take_two(text);
  take(text, ':');
  const auto minutes = text.empty() ? std::optional<int>(0) : take_two(text);
  if (!hours || !minutes || !text.empty() || *hours > 14 || *minutes > 59) return std::nullopt;
  return sign * (3600.0 * *hours + 60.0 * *minutes);
}

std::string date_of_day(std::chrono::sys_days day) {
  const std::chrono::year_month_day date(day);
  return fmt::format("{:04}-{:02}-{:02}", static_cast<int>(date.year()),
                     static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()));
}

// The years 1 to 9999 in seconds from 1970: beyond it there is no four-digit year.
bool has_calendar(double seconds) noexcept { return seconds > -6.2e10 && seconds < 2.534e11; }

}  // namespace

std::optional<double> seconds_from_iso(std::string_view text) {
  text = detail::trimmed(text);
  if (text.size() < 10 || text[4] != '-' || text[7] != '-') return std::nullopt;
  int year = 0;
  const auto [end, fault] = std::from_chars(text.data(), text.data() + 4, year);
  if (fault != std::errc{} || end != text.data() + 4 || year < 1) return std::nullopt;
  std::string_view month_text = text.substr(5, 2);
  std::string_view day_text = text.substr(8, 2);
  const auto month = take_two(month_text);
  const auto day = take_two(day_text);
  if (!month || !day) return std::nullopt;
  const std::chrono::year_month_day date{std::chrono::year(year),
                                         std::chrono::month(static_cast<unsigned>(*month)),
                                         std::chrono::day(static_cast<unsigned>(*day))};
  if (!date.ok()) return std::nullopt;
  const double midnight =
      day_s * static_cast<double>(std::chrono::sys_days(date).time_since_epoch().count());
  text.remove_prefix(10);
  if (text.empty()) return midnight;
  if (!take(text, 'T') && !take(text, 't') && !take(text, ' ')) return std::nullopt;
  const auto clock = take_clock(text);
  const auto offset = zone_offset(text);
  if (!clock || !offset) return std::nullopt;
  return midnight + *clock - *offset;
}

std::string iso_from_seconds(double seconds) {
  if (!has_calendar(seconds)) return "";
  const double rounded = std::floor(seconds + 0.5);
  const double day = std::floor(rounded / day_s);
  const int clock = static_cast<int>(rounded - day * day_s);
  return fmt::format("{}T{:02}:{:02}:{:02}",
                     date_of_day(std::chrono::sys_days(std::chrono::days(static_cast<int>(day)))),
                     clock / 3600, clock / 60 % 60, clock % 60);
}

std::string night_of(double seconds, std::optional<double> longitude_deg) {
  if (!has_calendar(seconds)) return "";
  const double local = seconds + longitude_deg.value_or(0.0) * 240.0;  // 4 minutes per degree
  const double day = std::floor((local - 0.5 * day_s) / day_s);
  return date_of_day(std::chrono::sys_days(std::chrono::days(static_cast<int>(day))));
}

}  // namespace coldframe
