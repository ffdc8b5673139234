// A catalogue as named columns of text or numbers, before it becomes stars.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include "coldframe/session/catalogue_file.hpp"

namespace coldframe::session {

/// Named columns; a cell is text or a number (NaN: missing).
struct CellTable {
  std::vector<std::string> names;
  std::vector<std::string> units;
  std::size_t rows = 0;
  std::function<std::string(std::size_t row, std::size_t column)> text;  ///< unset: numbers only
  std::function<double(std::size_t row, std::size_t column)> number;
};

/// A table of text with a header line; the cells look into the text they were made from.
struct TextCells {
  std::vector<std::string> names, units;
  std::vector<std::vector<std::string_view>> rows;
};
/// Separated by commas, tabs, semicolons, bars or blanks; `name` is for messages.
/// Throws Error(input) when there is no header line or no row.
[[nodiscard]] TextCells cells_of(const std::string& text, const std::string& name);

/// Number in a cell of text; NaN when it is none, or stands for 'missing' (99.999, -9999, null).
[[nodiscard]] double cell_number(const std::string& text);

/// Degrees of a number or a sexagesimal text (right ascensions then count hours); NaN: neither.
[[nodiscard]] double cell_angle(const std::string& text, bool right_ascension);

[[nodiscard]] Catalogue stars_of(const CellTable& table, const CatalogueSource& source,
                                 std::optional<double> year);

}  // namespace coldframe::session
