/// \file
/// Star catalogues of the owner: a table of text or a FITS table.
///
/// Text: one header line with names, then one star per line; the separator is a comma, tab,
/// semicolon or '|', whichever the header line has; lines that start with '#' do not count,
/// nor do lines of units or dashes under the header. Plain or gzipped. Names are found without
/// regard to case and signs ("RA_ICRS", "raj2000", "phot_g_mean_mag", "BP-RP"...).
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/sky/catalogue.hpp"

namespace coldframe::session {

/// Names of columns; empty: found by the usual ones. `colour` may be a difference, "g-r".
struct CatalogueColumns {
  std::string ra, dec;  ///< degrees (RA in hours when sexagesimal)
  std::string magnitude, magnitude_error, colour;
  std::string pm_ra, pm_dec;  ///< milliarcseconds per year, cos(Dec) in the first
  std::string epoch;          ///< year of the positions
};

struct CatalogueSource {
  std::filesystem::path path;  ///< empty: none
  CatalogueColumns columns;
  std::optional<double> epoch;  ///< year of all positions, where no column tells
};

/// Reads "ra=NAME" and so on (keys ra, dec, mag, mag-error, color, pmra, pmdec, epoch) into
/// `columns`. Throws Error(usage).
void set_catalogue_column(CatalogueColumns& columns, const std::string& assignment);

struct Catalogue {
  std::vector<sky::CatalogueStar> stars;
  std::string magnitude_name;       ///< column that the magnitudes came from; empty: none
  std::string colour_name;          ///< the same for colours
  std::size_t rows_left_out = 0;    ///< without a position
  bool moved = false;               ///< proper motions were applied
  std::optional<std::string> note;  ///< proper motions that could not be applied
};

/// Throws Error(input) when it is no table or has no positions. `year`: epoch to move the stars
/// to; unset: as listed.
[[nodiscard]] Catalogue read_catalogue(const CatalogueSource& source, std::optional<double> year);

/// The text form alone; `name` is for messages.
[[nodiscard]] Catalogue parse_catalogue(const std::string& text, const CatalogueSource& source,
                                        std::optional<double> year);

}  // namespace coldframe::session
