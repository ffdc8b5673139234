// Header cards as 80 characters and as values (FITS Standard 4.0, section 4).
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/header.hpp"

namespace coldframe::fits::detail {

inline constexpr std::size_t card_length = 80;
inline constexpr std::size_t block_length = 2880;

/// Cards of a header (80 characters each, END not among them): strings decoded,
/// CONTINUE joined, HIERARCH names in full.
[[nodiscard]] Header parse_cards(std::string_view characters);

/// The 80-character lines of one card: several for long strings and long
/// commentary. Characters outside ASCII become '?', comments are cut to fit.
[[nodiscard]] std::vector<std::string> format_card(const Card& card);

/// ASCII of a text: one '?' per character outside 0x20..0x7E.
[[nodiscard]] std::string ascii(std::string_view text);

/// Keywords that describe the layout of a unit; the writer sets them itself.
[[nodiscard]] bool is_structural(std::string_view keyword) noexcept;

/// Whether `keyword` is `stem` followed by a number without leading zeros.
[[nodiscard]] bool is_indexed(std::string_view keyword, std::string_view stem) noexcept;

[[nodiscard]] std::string_view trimmed_right(std::string_view text) noexcept;
[[nodiscard]] std::string_view trimmed_both(std::string_view text) noexcept;

}  // namespace coldframe::fits::detail
