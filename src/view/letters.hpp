// Letters for annotations: five by seven cells, drawn for this program.
#pragma once

#include <array>
#include <cstdint>
#include <string_view>
#include <vector>

namespace coldframe::view {

constexpr int letter_width = 5;
constexpr int letter_height = 7;

/// Rows from the top; the highest of five bits is the left cell.
using Letter = std::array<std::uint8_t, letter_height>;

/// The letters of a text; small letters as capitals, UTF-8's degree sign, a box for the rest.
[[nodiscard]] std::vector<Letter> letters_of(std::string_view text);

}  // namespace coldframe::view
