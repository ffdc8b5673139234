/// \file
/// Where the slope of the sky comes from: light that was added (sky glow, which stays with the sky
/// or the horizon; a leak or glow, which stays with the sensor) or light that was multiplied (an
/// error of the flat, which stays with the sensor as a share of whatever falls on it, stars too).
///
/// One frame cannot tell them apart. Subs whose sensor lies turned against each other, as after a
/// meridian flip, tell what stays with the sensor from what stays with the sky; subs under brighter
/// and darker skies tell a share of the light from an amount of it.
#pragma once

#include <span>

#include "coldframe/core/geometry.hpp"
#include "coldframe/session/record.hpp"

namespace coldframe::session {

/// Rises across the frame along the reference's x and y, as shares of the sky's level.
struct SlopeOrigin {
  bool told = false;  ///< false: the sensor was never turned against the sky, or too few subs
  int subs = 0;
  Point multiplied;               ///< stays with the sensor: the flat's error
  double multiplied_error = 0.0;  ///< of a component
  Point sky;                      ///< stays with the sky
  double sky_error = 0.0;
  bool level_told = false;  ///< the sky's level changed enough to find `leak`; else in `multiplied`
  Point leak;               ///< a constant amount on the sensor, at the middle sky level
  double leak_error = 0.0;
};

/// From the kept subs of one result that share the reference's set-up. Least squares on
/// slope = multiplied + leak x (middle level / level) + turned sky.
[[nodiscard]] SlopeOrigin slope_origin(std::span<const SubRecord> rows, int result);

}  // namespace coldframe::session
