/// \file
/// A star of a catalogue, and the part of a catalogue that matters for one field.
#pragma once

#include <limits>
#include <span>
#include <vector>

#include "coldframe/core/sky_projection.hpp"

namespace coldframe::sky {

/// Unknown numbers are NaN (a catalogue may hold millions of rows).
struct CatalogueStar {
  SkyPoint position;  ///< ICRS, at the epoch wanted
  double magnitude = std::numeric_limits<double>::quiet_NaN();
  double magnitude_error = std::numeric_limits<double>::quiet_NaN();
  double colour = std::numeric_limits<double>::quiet_NaN();  ///< a colour index, mag
};

/// The smallest circle, roughly, around all of them.
struct Cap {
  SkyPoint centre;
  double radius_deg = 0.0;
};
/// Unset numbers (radius 180) for an empty list.
[[nodiscard]] Cap surrounding_cap(std::span<const CatalogueStar> stars);

/// Those within `radius_deg` of `centre`, brightest first (unknown magnitudes last, in the
/// order of the catalogue).
[[nodiscard]] std::vector<CatalogueStar> stars_near(std::span<const CatalogueStar> stars,
                                                    SkyPoint centre, double radius_deg);

}  // namespace coldframe::sky
