#include "coldframe/session/catalogue_file.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <string_view>
#include <variant>

#include "catalogue_table.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/text_file.hpp"

namespace coldframe::session {
namespace {

constexpr const char* wanted_form =
    "give a table with a header line and columns of RA and Dec in degrees, or a FITS table";

// The separator that the header line has most of; blanks separate only where nothing else does.
char separator_of(std::string_view header) {
  char best = ' ';
  std::ptrdiff_t most = 0;
  for (const char c : {',', '\t', ';', '|'}) {
    const auto count = std::count(header.begin(), header.end(), c);
    if (count > most) {
      best = c;
      most = count;
    }
  }
  return best;
}

std::string_view trimmed(std::string_view text) {
  const auto first = text.find_first_not_of(" \t\r\"");
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r\"") - first + 1);
}

void split(std::string_view line, char separator, std::vector<std::string_view>& cells) {
  cells.clear();
  if (separator == ' ') {
    for (std::size_t at = line.find_first_not_of(" \t\r"); at != std::string_view::npos;) {
      const auto end = std::min(line.find_first_of(" \t\r", at), line.size());
      cells.push_back(line.substr(at, end - at));
      at = line.find_first_not_of(" \t\r", end);
    }
    return;
  }
  bool quoted = false;
  std::size_t start = 0;
  for (std::size_t i = 0; i <= line.size(); ++i) {
    if (i < line.size() && line[i] == '"') quoted = !quoted;
    if (i < line.size() && (line[i] != separator || quoted)) continue;
    cells.push_back(trimmed(line.substr(start, i - start)));
    start = i + 1;
  }
}

// A number or a sexagesimal position.
bool is_number(std::string_view cell) {
  const std::string text(cell);
  if (!std::isnan(cell_number(text))) return true;
  const auto first = text.find_first_not_of("+-");
  return first != std::string::npos && text[first] >= '0' && text[first] <= '9' &&
         !std::isnan(cell_angle(text, false));
}

// Lines of units and dashes under a header hold no number at all.
bool holds_number(const std::vector<std::string_view>& cells) {
  return std::any_of(cells.begin(), cells.end(), is_number);
}

}  // namespace

TextCells cells_of(const std::string& text, const std::string& name) {
  TextCells table;
  char separator = ',';
  std::vector<std::string_view> cells;
  const std::string_view all(text);
  for (std::size_t from = 0; from < all.size();) {
    const auto end = std::min(all.find('\n', from), all.size());
    const auto line = all.substr(from, end - from);
    from = end + 1;
    if (trimmed(line).empty() || trimmed(line).front() == '#') continue;
    if (table.names.empty()) {
      separator = separator_of(line);
      split(line, separator, cells);
      for (const auto cell : cells) table.names.emplace_back(cell);
      table.units.resize(table.names.size());
      if (holds_number(cells)) {
        throw Error(ErrorKind::input, name, "has no header line with the names of its columns",
                    wanted_form);
      }
      continue;
    }
    split(line, separator, cells);
    if (table.rows.empty() && !holds_number(cells)) {
      const bool dashes = trimmed(line).find_first_not_of("-|+ \t") == std::string_view::npos;
      for (std::size_t i = 0; !dashes && i < std::min(cells.size(), table.units.size()); ++i) {
        table.units[i] = cells[i];
      }
      continue;
    }
    table.rows.push_back(cells);
  }
  if (table.rows.empty()) throw Error(ErrorKind::input, name, "holds no star", wanted_form);
  return table;
}

namespace {

double number_in(const fits::TableColumn& column, std::size_t row) {
  return std::visit(
      [row](const auto& values) -> double {
        using Value = typename std::decay_t<decltype(values)>::value_type;
        if constexpr (std::is_same_v<Value, std::string>) {
          return cell_number(values[row]);
        } else {
          return static_cast<double>(values[row]);
        }
      },
      column.data);
}

Catalogue read_fits_catalogue(const CatalogueSource& source, std::optional<double> year) {
  const auto stored = fits::read_table(source.path, "");
  CellTable table;
  table.rows = stored.rows();
  for (const auto& column : stored.columns) {
    table.names.push_back(column.name);
    table.units.push_back(column.unit);
  }
  table.number = [&](std::size_t row, std::size_t column) {
    return number_in(stored.columns[column], row);
  };
  table.text = [&](std::size_t row, std::size_t column) -> std::string {
    const auto* texts = std::get_if<std::vector<std::string>>(&stored.columns[column].data);
    return texts != nullptr ? (*texts)[row] : std::string();
  };
  return stars_of(table, source, year);
}

}  // namespace

void set_catalogue_column(CatalogueColumns& columns, const std::string& assignment) {
  const auto sign = assignment.find('=');
  const std::string key = assignment.substr(0, sign);
  const std::string name = sign == std::string::npos ? "" : assignment.substr(sign + 1);
  std::string* place = key == "ra"                         ? &columns.ra
                       : key == "dec"                      ? &columns.dec
                       : key == "mag"                      ? &columns.magnitude
                       : key == "mag-error"                ? &columns.magnitude_error
                       : key == "color" || key == "colour" ? &columns.colour
                       : key == "pmra"                     ? &columns.pm_ra
                       : key == "pmdec"                    ? &columns.pm_dec
                       : key == "epoch"                    ? &columns.epoch
                                                           : nullptr;
  if (place == nullptr || name.empty()) {
    throw Error(ErrorKind::usage, "", "'" + assignment + "' names no column of a catalogue",
                "write KEY=NAME with ra, dec, mag, mag-error, color, pmra, pmdec or epoch");
  }
  *place = name;
}

Catalogue parse_catalogue(const std::string& text, const CatalogueSource& source,
                          std::optional<double> year) {
  const auto cells = cells_of(text, source.path.string());
  CellTable table;
  table.names = cells.names;
  table.units = cells.units;
  table.rows = cells.rows.size();
  table.text = [&](std::size_t row, std::size_t column) {
    return column < cells.rows[row].size() ? std::string(cells.rows[row][column]) : std::string();
  };
  table.number = [&](std::size_t row, std::size_t column) {
    return cell_number(table.text(row, column));
  };
  return stars_of(table, source, year);
}

Catalogue read_catalogue(const CatalogueSource& source, std::optional<double> year) {
  auto catalogue = fits::starts_as_fits(source.path)
                       ? read_fits_catalogue(source, year)
                       : parse_catalogue(fits::read_long_text(source.path), source, year);
  if (catalogue.stars.empty()) {
    throw Error(ErrorKind::input, source.path.string(), "holds no star with a position",
                "check the columns of RA and Dec: degrees, or sexagesimal with RA in hours");
  }
  return catalogue;
}

}  // namespace coldframe::session
