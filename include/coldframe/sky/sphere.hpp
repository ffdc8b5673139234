/// \file
/// Geometry on the sphere and in the tangent plane, by ERFA (the IAU SOFA algorithms).
/// Angles in degrees; RA grows to the east.
#pragma once

#include <optional>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/sky_projection.hpp"

namespace coldframe::sky {

/// Along the great circle, 0 to 180; well behaved for tiny and for opposite separations
/// (Vincenty's form, eraSeps).
[[nodiscard]] double separation_deg(SkyPoint a, SkyPoint b) noexcept;
/// Of `b` seen from `a`, from north over east, 0 to 360 (eraPas).
[[nodiscard]] double position_angle_deg(SkyPoint a, SkyPoint b) noexcept;
/// `distance_deg` from `from` towards a position angle.
[[nodiscard]] SkyPoint offset_by(SkyPoint from, double position_angle_deg,
                                 double distance_deg) noexcept;

/// Gnomonic standard coordinates (xi to the east, eta to the north) in degrees; unset at 90 degrees
/// from the tangent point and beyond (eraTpxes).
[[nodiscard]] std::optional<Point> to_tangent_plane(SkyPoint sky, SkyPoint tangent) noexcept;
/// And back (eraTpsts).
[[nodiscard]] SkyPoint from_tangent_plane(Point standard_deg, SkyPoint tangent) noexcept;

/// Yearly motion along the great circles of RA (cos(Dec) in it) and Dec, milliarcseconds.
struct ProperMotion {
  double ra_mas = 0.0;
  double dec_mas = 0.0;
};
/// Position after `years` Julian years (eraPmsafe; no parallax, no radial velocity).
[[nodiscard]] SkyPoint moved(SkyPoint sky, ProperMotion motion, double years) noexcept;

}  // namespace coldframe::sky
