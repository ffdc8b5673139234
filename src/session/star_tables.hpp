// Star lists as tables: FITS, CSV and JSON with the same columns, one class per row.
#pragma once

#include <string>

#include "coldframe/core/star.hpp"
#include "coldframe/fits/file_writer.hpp"

namespace coldframe::session {

/// FITS counts pixels from 1; CSV and JSON from 0, as all figures of the program.
[[nodiscard]] fits::Table stars_table(const StarList& stars);
[[nodiscard]] std::string stars_csv(const StarList& stars);
[[nodiscard]] std::string stars_json(const StarList& stars);

}  // namespace coldframe::session
