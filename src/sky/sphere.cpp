#include "coldframe/sky/sphere.hpp"

#include <erfa.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/units.hpp"

namespace coldframe::sky {
namespace {

constexpr double degree = std::numbers::pi / 180.0;

double turned_positive(double deg) noexcept { return deg < 0.0 ? deg + 360.0 : deg; }

}  // namespace

double separation_deg(SkyPoint a, SkyPoint b) noexcept {
  return eraSeps(a.ra_deg * degree, a.dec_deg * degree, b.ra_deg * degree, b.dec_deg * degree) /
         degree;
}

double position_angle_deg(SkyPoint a, SkyPoint b) noexcept {
  return turned_positive(
      eraPas(a.ra_deg * degree, a.dec_deg * degree, b.ra_deg * degree, b.dec_deg * degree) /
      degree);
}

SkyPoint offset_by(SkyPoint from, double position_angle_deg, double distance_deg) noexcept {
  const double d0 = from.dec_deg * degree;
  const double r = distance_deg * degree;
  const double p = position_angle_deg * degree;
  const double z = std::sin(d0) * std::cos(r) + std::cos(d0) * std::sin(r) * std::cos(p);
  const double x = std::cos(r) * std::cos(d0) - std::sin(r) * std::sin(d0) * std::cos(p);
  const double y = std::sin(r) * std::sin(p);
  return {eraAnp(from.ra_deg * degree + std::atan2(y, x)) / degree,
          std::atan2(z, std::hypot(x, y)) / degree};
}

std::optional<Point> to_tangent_plane(SkyPoint sky, SkyPoint tangent) noexcept {
  double xi = 0.0;
  double eta = 0.0;
  if (eraTpxes(sky.ra_deg * degree, sky.dec_deg * degree, tangent.ra_deg * degree,
               tangent.dec_deg * degree, &xi, &eta) != 0) {
    return std::nullopt;
  }
  return Point{xi / degree, eta / degree};
}

SkyPoint from_tangent_plane(Point standard_deg, SkyPoint tangent) noexcept {
  double ra = 0.0;
  double dec = 0.0;
  eraTpsts(standard_deg.x * degree, standard_deg.y * degree, tangent.ra_deg * degree,
           tangent.dec_deg * degree, &ra, &dec);
  return {ra / degree, dec / degree};
}

SkyPoint moved(SkyPoint sky, ProperMotion motion, double years) noexcept {
  if (years == 0.0 || (motion.ra_mas == 0.0 && motion.dec_mas == 0.0)) return sky;
  const double mas = 1e-3 / arcsec_per_radian;
  // ERFA's motion in RA is the change of the coordinate itself; at the pole that has no meaning.
  const double along = std::max(std::cos(sky.dec_deg * degree), 1e-9);
  double ra = 0.0, dec = 0.0, pmr = 0.0, pmd = 0.0, parallax = 0.0, velocity = 0.0;
  constexpr double j2000 = 2451545.0;
  eraPmsafe(sky.ra_deg * degree, sky.dec_deg * degree, motion.ra_mas * mas / along,
            motion.dec_mas * mas, 0.0, 0.0, j2000, 0.0, j2000, years * 365.25, &ra, &dec, &pmr,
            &pmd, &parallax, &velocity);
  return {eraAnp(ra) / degree, dec / degree};
}

}  // namespace coldframe::sky
