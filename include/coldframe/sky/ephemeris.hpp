/// \file
/// Where target, Moon and Sun stood for a place and a moment.
///
/// Positions by ERFA (Sun: eraEpv00, VSOP2000 based; Moon: eraMoon98 after Meeus 1998, 10 arcsec),
/// turned to the horizon by the IAU 2000B Earth rotation with UT1 = UTC (wrong by less than 0.9 s,
/// 14 arcsec). Aberration (20 arcsec) and refraction are left out: altitudes are those of the
/// true, airless direction, which is what `airmass_of` takes.
#pragma once

#include <optional>

#include "coldframe/core/sky_projection.hpp"

namespace coldframe::sky {

struct Site {
  double latitude_deg = 0.0;   ///< north positive
  double longitude_deg = 0.0;  ///< east positive
};

/// Angles in degrees. What needs the site or the target is unset without it.
struct Circumstances {
  std::optional<double> altitude_deg;  ///< of the target
  std::optional<double> azimuth_deg;   ///< from north over east
  std::optional<double> airmass;       ///< unset below the horizon
  std::optional<double> moon_altitude_deg;
  std::optional<double> sun_altitude_deg;
  std::optional<double> moon_separation_deg;  ///< from the target; topocentric with a site
  double moon_phase = 0.0;                    ///< illuminated share of the disc, 0 new to 1 full
};

/// `utc_s`: seconds since 1970-01-01 UTC, best the middle of the exposure. `target`: J2000.
[[nodiscard]] Circumstances circumstances(double utc_s, std::optional<Site> site,
                                          std::optional<SkyPoint> target);

/// Airmass at a true altitude (Young 1994, Appl. Opt. 33, 1108); valid down to the horizon.
[[nodiscard]] double airmass_of(double true_altitude_deg) noexcept;

}  // namespace coldframe::sky
