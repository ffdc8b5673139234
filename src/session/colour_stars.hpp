// Colours of the stars of a three-plane image, for the colour balance.
#pragma once

#include <filesystem>

#include "coldframe/session/solving.hpp"

namespace coldframe::session {

/// Light of the table's stars in wide apertures in all three planes. Catalogue colours count when
/// there are enough; else the stars' mean colour is white.
[[nodiscard]] std::optional<sky::ColourBalance> balance_of(const std::filesystem::path& image,
                                                           const SolvedImage& solved,
                                                           std::optional<double> white_colour);

/// Colour index of a star like the Sun for a usual column of colours; unset for others.
[[nodiscard]] std::optional<double> solar_colour(const std::string& column);

}  // namespace coldframe::session
