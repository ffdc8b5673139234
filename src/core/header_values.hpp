/// \file
/// Readers of the texts found in FITS headers, private to core.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "coldframe/core/geometry.hpp"

namespace coldframe::detail {

[[nodiscard]] std::string_view trimmed(std::string_view text) noexcept;
[[nodiscard]] std::string lower(std::string_view text);
/// Lower case, letters only.
[[nodiscard]] std::string letters_of(std::string_view text);

/// An angle or time of day as written.
struct Angle {
  double value = 0.0;        ///< in the first part's unit
  bool sexagesimal = false;  ///< two or three parts
  char hemisphere = '\0';    ///< N, S, E or W written behind; not yet in the sign
};
/// "19 11 07.2", "-96:27:11.8", "19h11m07s", "41.988", "70 58 12 W"; unset when none of these.
[[nodiscard]] std::optional<Angle> parse_angle(std::string_view text) noexcept;

/// "YYYY-MM-DD", "YYYY/MM/DD" or the old FITS form "DD/MM/YY" (19YY), as ISO text.
[[nodiscard]] std::optional<std::string> parse_date(std::string_view text);

/// A time of day ("3:05:07.25", or hours as a number) as "hh:mm:ss[.s...]".
[[nodiscard]] std::optional<std::string> parse_time_of_day(std::string_view text);

/// A FITS section "[x1:x2,y1:y2]" (1-based, inclusive; ":" or "*" = the whole
/// axis) as a rectangle. Unset when malformed; it may lie outside the frame.
[[nodiscard]] std::optional<Rect> parse_section(std::string_view text, Size frame) noexcept;

}  // namespace coldframe::detail
