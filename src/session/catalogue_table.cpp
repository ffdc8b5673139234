#include "catalogue_table.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <charconv>
#include <cmath>
#include <limits>
#include <span>

#include "coldframe/core/error.hpp"
#include "coldframe/sky/sphere.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t none = static_cast<std::size_t>(-1);
constexpr double missing = std::numeric_limits<double>::quiet_NaN();

// Letters and digits alone, lower case.
std::string bare(const std::string& name) {
  std::string out;
  for (const char c : name) {
    const auto u = static_cast<unsigned char>(c);
    if (std::isalnum(u) != 0) out += static_cast<char>(std::tolower(u));
  }
  return out;
}

std::size_t column_named(const CellTable& table, const std::string& name) {
  for (std::size_t i = 0; i < table.names.size(); ++i) {
    if (table.names[i] == name) return i;
  }
  for (std::size_t i = 0; i < table.names.size(); ++i) {
    if (bare(table.names[i]) == bare(name)) return i;
  }
  return none;
}

// The first of the usual names that the table has.
std::size_t usual_column(const CellTable& table, std::span<const char* const> names) {
  for (const char* name : names) {
    for (std::size_t i = 0; i < table.names.size(); ++i) {
      if (bare(table.names[i]) == name) return i;
    }
  }
  return none;
}

// Names that open catalogues use for these facts (common practice, no source).
constexpr std::array ra_names{"ra",    "radeg",      "raicrs",         "raj2000", "raepoch2000",
                              "alpha", "alphaj2000", "rightascension", "rajdeg"};
constexpr std::array dec_names{"dec", "decdeg", "deicrs", "decicrs",    "dej2000",    "decj2000",
                               "de",  "dedeg",  "delta",  "deltaj2000", "declination"};
constexpr std::array magnitude_names{
    "mag", "magnitude", "photgmeanmag", "gmag", "phgmag", "vmag", "v",    "vtmag", "rmag",
    "r",   "g",         "jmag",         "jm",   "bmag",   "b",    "imag", "i"};
constexpr std::array error_names{"magerr", "magerror", "emag", "emagnitude", "photgmeanmagerror"};
constexpr std::array colour_names{"color", "colour", "colorindex", "bprp", "bv", "gr", "jk"};
constexpr std::array pm_ra_names{"pmra", "pmracosde", "pmracosdec"};
constexpr std::array pm_dec_names{"pmdec", "pmde"};
constexpr std::array epoch_names{"epoch", "refepoch", "epochyr"};

std::size_t find_column(const CellTable& table, const std::string& wanted,
                        std::span<const char* const> usual, const CatalogueSource& source) {
  if (wanted.empty()) return usual_column(table, usual);
  const auto found = column_named(table, wanted);
  if (found == none) {
    throw Error(ErrorKind::usage, source.path.string(), "has no column " + wanted,
                "its columns are " + fmt::format("{}", fmt::join(table.names, ", ")));
  }
  return found;
}

// "12 34 56.7", "12:34:56.7", "12h34m56.7s", "-5d12m3s"; NaN when it is nothing like it.
double sexagesimal(const std::string& text) {
  std::array<double, 3> part{0.0, 0.0, 0.0};
  std::size_t count = 0;
  bool negative = false;
  const char* at = text.data();
  const char* end = at + text.size();
  while (at != end && count < 3) {
    if (*at == '-' && count == 0) negative = true;
    if (std::isdigit(static_cast<unsigned char>(*at)) == 0 && *at != '.') {
      ++at;
      continue;
    }
    const auto read = std::from_chars(at, end, part[count]);
    if (read.ec != std::errc{}) return missing;
    at = read.ptr;
    ++count;
  }
  if (count < 2 || part[1] >= 60.0 || part[2] > 60.0) return missing;
  const double value = part[0] + part[1] / 60.0 + part[2] / 3600.0;
  return negative ? -value : value;
}

bool in_hours(const std::string& unit) {
  const auto name = bare(unit);
  return name == "h" || name == "hour" || name == "hours" || name == "hourangle" || name == "hms";
}

// Degrees; sexagesimal right ascensions count hours.
double angle(const CellTable& table, std::size_t row, std::size_t column, bool right_ascension) {
  double value = table.number(row, column);
  bool hours = right_ascension && in_hours(table.units[column]);
  if (std::isnan(value) && table.text) {
    value = sexagesimal(table.text(row, column));
    hours = right_ascension;
  }
  return hours ? 15.0 * value : value;
}

// A magnitude; what no star has stands for 'missing' (99.999, -9999, -999).
double magnitude(double value) { return value > -10.0 && value < 50.0 ? value : missing; }

struct Columns {
  std::size_t ra, dec, magnitude, error, colour, minus, pm_ra, pm_dec, epoch;
  std::string colour_name;
};

// A difference of two columns, "g-r"; unset parts when it is none.
void find_colour(const CellTable& table, const CatalogueSource& source, Columns& c) {
  const auto& wanted = source.columns.colour;
  c.minus = none;
  c.colour = wanted.empty() ? usual_column(table, colour_names) : column_named(table, wanted);
  if (c.colour == none && !wanted.empty()) {
    const auto sign = wanted.find('-');
    if (sign != std::string::npos) {
      c.colour = column_named(table, wanted.substr(0, sign));
      c.minus = column_named(table, wanted.substr(sign + 1));
    }
    if (c.colour == none || c.minus == none) {
      throw Error(ErrorKind::usage, source.path.string(), "has no colour " + wanted,
                  "its columns are " + fmt::format("{}", fmt::join(table.names, ", ")));
    }
  }
  if (c.colour != none) c.colour_name = wanted.empty() ? table.names[c.colour] : wanted;
}

Columns find_columns(const CellTable& table, const CatalogueSource& source) {
  const auto& wanted = source.columns;
  Columns c{};
  c.ra = find_column(table, wanted.ra, ra_names, source);
  c.dec = find_column(table, wanted.dec, dec_names, source);
  if (c.ra == none || c.dec == none) {
    throw Error(ErrorKind::input, source.path.string(), "has no columns of RA and Dec",
                "name them, as in --column ra=NAME --column dec=NAME; its columns are " +
                    fmt::format("{}", fmt::join(table.names, ", ")));
  }
  c.magnitude = find_column(table, wanted.magnitude, magnitude_names, source);
  c.error = find_column(table, wanted.magnitude_error, error_names, source);
  c.pm_ra = find_column(table, wanted.pm_ra, pm_ra_names, source);
  c.pm_dec = find_column(table, wanted.pm_dec, pm_dec_names, source);
  c.epoch = find_column(table, wanted.epoch, epoch_names, source);
  find_colour(table, source, c);
  return c;
}

double motion_factor(const CellTable& table, std::size_t column) {
  const auto unit = bare(table.units[column]);
  return unit.starts_with("arcsec") ? 1000.0 : unit.starts_with("deg") ? 3.6e6 : 1.0;
}

// Applies a star's motion when motion and epoch are known; says whether it had one it could not
// use.
bool move_star(const CellTable& table, const Columns& c, std::size_t row,
               const CatalogueSource& source, std::optional<double> year, Catalogue& out,
               SkyPoint& position) {
  if (c.pm_ra == none || c.pm_dec == none) return false;
  const double ra = table.number(row, c.pm_ra) * motion_factor(table, c.pm_ra);
  const double dec = table.number(row, c.pm_dec) * motion_factor(table, c.pm_dec);
  // No star moves by a degree in a century; such numbers stand for 'unknown'.
  constexpr double most_mas = 3.6e4;
  if (!(std::fabs(ra) < most_mas && std::fabs(dec) < most_mas)) return false;
  double epoch = c.epoch != none ? table.number(row, c.epoch) : missing;
  if (!(epoch > 1800.0 && epoch < 2200.0)) epoch = source.epoch.value_or(missing);
  if (std::isnan(epoch) || !year) return true;
  position = sky::moved(position, {ra, dec}, *year - epoch);
  out.moved = true;
  return false;
}

}  // namespace

double cell_number(const std::string& text) {
  const auto first = text.find_first_not_of(" \t\r\"'+");
  if (first == std::string::npos) return missing;
  const auto last = text.find_last_not_of(" \t\r\"'");
  double value = 0.0;
  const char* begin = text.data() + first;
  const char* end = text.data() + last + 1;
  const auto read = std::from_chars(begin, end, value);
  return read.ec == std::errc{} && read.ptr == end && std::isfinite(value) ? value : missing;
}

double cell_angle(const std::string& text, bool right_ascension) {
  const double plain = cell_number(text);
  if (!std::isnan(plain)) return plain;
  const double value = sexagesimal(text);
  return right_ascension ? 15.0 * value : value;
}

Catalogue stars_of(const CellTable& table, const CatalogueSource& source,
                   std::optional<double> year) {
  const Columns c = find_columns(table, source);
  Catalogue out;
  if (c.magnitude != none) out.magnitude_name = table.names[c.magnitude];
  out.colour_name = c.colour_name;
  std::size_t unmoved = 0;
  for (std::size_t row = 0; row < table.rows; ++row) {
    sky::CatalogueStar star;
    star.position = {angle(table, row, c.ra, true), angle(table, row, c.dec, false)};
    const bool there = star.position.ra_deg >= -360.0 && star.position.ra_deg <= 360.0 &&
                       std::fabs(star.position.dec_deg) <= 90.0;
    if (!there) {
      ++out.rows_left_out;
      continue;
    }
    if (star.position.ra_deg < 0.0) star.position.ra_deg += 360.0;
    unmoved += move_star(table, c, row, source, year, out, star.position);
    if (c.magnitude != none) star.magnitude = magnitude(table.number(row, c.magnitude));
    if (c.error != none) star.magnitude_error = magnitude(table.number(row, c.error));
    if (c.colour != none) {
      star.colour = magnitude(table.number(row, c.colour));
      if (c.minus != none) star.colour -= magnitude(table.number(row, c.minus));
    }
    out.stars.push_back(star);
  }
  if (unmoved > 0) {
    out.note = !year ? "the image has no date: the catalogue's proper motions are not applied"
                     : "the catalogue's epoch is not known: its proper motions are not applied; "
                       "give --catalogue-epoch or a column of epochs";
  }
  return out;
}

}  // namespace coldframe::session
