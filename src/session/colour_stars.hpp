// Colours of the stars of a three-plane image, for the colour balance.
#pragma once

#include <filesystem>

#include "coldframe/core/parallel.hpp"
#include "coldframe/session/solving.hpp"

namespace coldframe::session {

/// Measures red and blue beside the stars of `solved.table` (green) and sets `solved.balance`.
/// Catalogue colours count when there are enough. Without a solution: `green` alone is used.
[[nodiscard]] std::optional<sky::ColourBalance> balance_of(const std::filesystem::path& image,
                                                           const SolvedImage& solved,
                                                           std::optional<double> white_colour,
                                                           double electrons_per_unit,
                                                           Threads threads);

/// Colour index of a star like the Sun for a usual column of colours; unset for others.
[[nodiscard]] std::optional<double> solar_colour(const std::string& column);

}  // namespace coldframe::session
