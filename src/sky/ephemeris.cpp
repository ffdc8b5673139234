#include "coldframe/sky/ephemeris.hpp"

#include <erfa.h>
#include <erfam.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace coldframe::sky {
namespace {

using Vector = std::array<double, 3>;

constexpr double degree = std::numbers::pi / 180.0;
constexpr double au_m = 149597870.7e3;  // IAU 2012 resolution B2

double dot(const Vector& a, const Vector& b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }

double angle_between(const Vector& a, const Vector& b) {
  const Vector cross{a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2],
                     a[0] * b[1] - a[1] * b[0]};
  return std::atan2(std::sqrt(dot(cross, cross)), dot(a, b)) / degree;
}

/// Times of one moment as two-part Julian dates.
struct Moment {
  double utc1 = 2440587.5, utc2 = 0.0;  // 1970-01-01
  double tt1 = 0.0, tt2 = 0.0;
};

Moment moment_of(double utc_s) {
  Moment m;
  m.utc2 = utc_s / 86400.0;
  double tai1 = 0.0;
  double tai2 = 0.0;
  // The status only tells of years beyond the table of leap seconds: good enough here.
  static_cast<void>(eraUtctai(m.utc1, m.utc2, &tai1, &tai2));
  static_cast<void>(eraTaitt(tai1, tai2, &m.tt1, &m.tt2));
  return m;
}

Vector sun_au(const Moment& m) {
  double heliocentric[2][3];
  double barycentric[2][3];
  static_cast<void>(eraEpv00(m.tt1, m.tt2, heliocentric, barycentric));
  return {-heliocentric[0][0], -heliocentric[0][1], -heliocentric[0][2]};
}

Vector moon_au(const Moment& m) {
  double pv[2][3];
  eraMoon98(m.tt1, m.tt2, pv);
  return {pv[0][0], pv[0][1], pv[0][2]};
}

/// The local horizon in celestial coordinates.
class Horizon {
 public:
  Horizon(const Moment& m, const Site& site) {
    double turn[3][3];
    eraC2t00b(m.tt1, m.tt2, m.utc1, m.utc2, 0.0, 0.0, turn);
    const double lat = site.latitude_deg * degree;
    const double lon = site.longitude_deg * degree;
    up_ = celestial(turn,
                    {std::cos(lat) * std::cos(lon), std::cos(lat) * std::sin(lon), std::sin(lat)});
    north_ = celestial(
        turn, {-std::sin(lat) * std::cos(lon), -std::sin(lat) * std::sin(lon), std::cos(lat)});
    east_ = celestial(turn, {-std::sin(lon), std::cos(lon), 0.0});
    double metres[3];
    static_cast<void>(eraGd2gc(ERFA_WGS84, lon, lat, 0.0, metres));
    place_au_ = celestial(turn, {metres[0] / au_m, metres[1] / au_m, metres[2] / au_m});
  }

  [[nodiscard]] double altitude_deg(const Vector& v) const {
    return std::asin(std::clamp(dot(v, up_) / std::sqrt(dot(v, v)), -1.0, 1.0)) / degree;
  }
  [[nodiscard]] double azimuth_deg(const Vector& v) const {
    const double azimuth = std::atan2(dot(v, east_), dot(v, north_)) / degree;
    return azimuth < 0.0 ? azimuth + 360.0 : azimuth;
  }
  [[nodiscard]] Vector from_here(const Vector& v) const {
    return {v[0] - place_au_[0], v[1] - place_au_[1], v[2] - place_au_[2]};
  }

 private:
  static Vector celestial(const double (&turn)[3][3], const Vector& v) {
    Vector out{};
    for (std::size_t i = 0; i < 3; ++i) {
      out[i] = turn[0][i] * v[0] + turn[1][i] * v[1] + turn[2][i] * v[2];
    }
    return out;
  }
  Vector up_{}, north_{}, east_{}, place_au_{};
};

Vector direction_of(const SkyPoint& p) {
  const double ra = p.ra_deg * degree;
  const double dec = p.dec_deg * degree;
  return {std::cos(dec) * std::cos(ra), std::cos(dec) * std::sin(ra), std::sin(dec)};
}

}  // namespace

double airmass_of(double true_altitude_deg) noexcept {
  const double c = std::sin(std::max(true_altitude_deg, 0.0) * degree);
  return (1.002432 * c * c + 0.148386 * c + 0.0096467) /
         (c * c * c + 0.149864 * c * c + 0.0102963 * c + 0.000303978);
}

Circumstances circumstances(double utc_s, std::optional<Site> site,
                            std::optional<SkyPoint> target) {
  const Moment moment = moment_of(utc_s);
  const Vector sun = sun_au(moment);
  Vector moon = moon_au(moment);
  Circumstances out;
  const Vector moon_to_sun{sun[0] - moon[0], sun[1] - moon[1], sun[2] - moon[2]};
  const Vector moon_to_earth{-moon[0], -moon[1], -moon[2]};
  out.moon_phase = 0.5 * (1.0 + std::cos(angle_between(moon_to_sun, moon_to_earth) * degree));
  if (site) {
    const Horizon horizon(moment, *site);
    moon = horizon.from_here(moon);
    out.moon_altitude_deg = horizon.altitude_deg(moon);
    out.sun_altitude_deg = horizon.altitude_deg(sun);
    if (target) {
      const Vector direction = direction_of(*target);
      out.altitude_deg = horizon.altitude_deg(direction);
      out.azimuth_deg = horizon.azimuth_deg(direction);
      if (*out.altitude_deg > 0.0) out.airmass = airmass_of(*out.altitude_deg);
    }
  }
  if (target) out.moon_separation_deg = angle_between(direction_of(*target), moon);
  return out;
}

}  // namespace coldframe::sky
