/// \file
/// The scene's stars and the geometry of its subs.
#pragma once

#include <vector>

#include "coldframe/core/transform.hpp"
#include "coldframe/sim/render.hpp"
#include "coldframe/sim/scene.hpp"

namespace coldframe::sim {

/// Sky grid to sub: rotation (and flip) about the frame's centre, then the shift.
[[nodiscard]] Transform sky_to_sub(const SubScene& sub, Size frame) noexcept;

/// All stars that any sub can see, field stars first.
[[nodiscard]] std::vector<TrueStar> make_stars(const Scene& scene);

/// Relative response in red, green, blue of a source with a colour index (mag, positive is
/// red); 1 in green.
void set_colour(double index_mag, double (&colour)[3]) noexcept;

/// Share of a King 1962 (AJ 67, 471) cluster's stars inside a radius, in units of the core
/// radius; tidal radius in the same unit.
[[nodiscard]] double king_enclosed(double radius, double tidal) noexcept;

}  // namespace coldframe::sim
