#include "precession.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace coldframe::detail {

SkyPoint precess_to_j2000(SkyPoint position, double equinox) noexcept {
  constexpr double degree = std::numbers::pi / 180.0;
  constexpr double arcsec = degree / 3600.0;
  const double t = (equinox - 2000.0) / 100.0;
  const double zeta = (2306.2181 + (0.30188 + 0.017998 * t) * t) * t * arcsec;
  const double z = (2306.2181 + (1.09468 + 0.018203 * t) * t) * t * arcsec;
  const double theta = (2004.3109 - (0.42665 + 0.041833 * t) * t) * t * arcsec;
  // The way back: turn by -z about the pole, by -theta about the node, by -zeta about the old pole.
  const double a = position.ra_deg * degree - z;
  const double d = position.dec_deg * degree;
  const double x = std::cos(d) * std::cos(a);
  const double y = std::cos(d) * std::sin(a);
  const double w = std::sin(d);
  const double x0 = std::cos(theta) * x + std::sin(theta) * w;
  const double w0 = -std::sin(theta) * x + std::cos(theta) * w;
  double ra = std::fmod((std::atan2(y, x0) - zeta) / degree, 360.0);
  if (ra < 0.0) ra += 360.0;
  return {ra, std::asin(std::clamp(w0, -1.0, 1.0)) / degree};
}

}  // namespace coldframe::detail
