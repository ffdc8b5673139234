/// \file
/// Stars far out of focus behind an obstructed aperture: rings of light, no peaks.
///
/// Geometric optics: the image of a star away from the focus is the shadow of the aperture, an
/// annulus, blurred by the seeing (Schroeder, Astronomical Optics, 2nd ed., ch. 4, from memory). A
/// narrow filter breaks it into pieces; a filter of about its size sees one source, whose centre
/// is dark. What has a dark centre and is lit all around is a ring; two stars side by side are not
/// lit all around.
#pragma once

#include <optional>
#include <vector>

#include "stars/source.hpp"

namespace coldframe::stars {

/// A ring about a point near which all of its light lies.
struct Ring {
  Point centre;
  double diameter_px = 0.0;  ///< where the mean profile falls to half of its crest, outside
};

/// Looks around (x, y) for a ring of about `width_px`.
[[nodiscard]] std::optional<Ring> ring_at(const DetectionFrame& frame, Point start,
                                          double width_px) noexcept;

/// Typical diameter (px) when most of the frame's bright sources are rings; 0 otherwise.
[[nodiscard]] double ring_field(const DetectionFrame& frame, FilteredFrame& filtered,
                                Threads threads);

/// Position, flux and width of sources of about this diameter by moments, without a profile.
/// Sets the field's profile to what it found.
void measure_rings(const DetectionFrame& frame, double diameter_px, std::vector<Source>& sources,
                   FieldProfile& profile, Threads threads);

}  // namespace coldframe::stars
