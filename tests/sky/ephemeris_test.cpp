// Values: SPH-2, TIME-2 and ATM-1 of the project's check-values (Meeus, Astronomical Algorithms,
// 2nd ed.; Young 1994). Many more places and moments are compared with astropy in
// tests/crosscheck/sky_crosscheck.py, for which this test leaves a sample.
#include "coldframe/sky/ephemeris.hpp"

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <iomanip>
#include <string>

#include "catch.hpp"
#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;

TEST_CASE("airmass follows Young's table") {
  struct Row {
    double zenith_deg, airmass;
  };
  for (const Row& row : {Row{0, 1.000000}, Row{30, 1.154108}, Row{45, 1.412130}, Row{60, 1.991731},
                         Row{70, 2.895134}, Row{75, 3.796355}, Row{80, 5.540702},
                         Row{85, 10.058658}, Row{88, 18.062944}, Row{90, 31.734862}}) {
    CHECK(std::fabs(sky::airmass_of(90.0 - row.zenith_deg) - row.airmass) < 1e-6);
  }
}

TEST_CASE("altitude and azimuth of Meeus' example 13.b") {
  // Apparent place 23h09m16.641s -6d43'11.61" of the date, here in J2000 (astropy, TETE to ICRS).
  // Left out here: aberration 20.5", UT1 - UTC, polar motion: 0.01 deg together.
  const auto when = seconds_from_iso("1987-04-10T19:21:00");
  REQUIRE(when);
  const auto c =
      sky::circumstances(*when, sky::Site{38.921389, -77.065556}, SkyPoint{347.489302, -6.647965});
  REQUIRE(c.altitude_deg);
  CHECK(std::fabs(*c.altitude_deg - 15.1249) < 0.01);
  CHECK(std::fabs(*c.azimuth_deg - 248.0336) < 0.01);
  CHECK(std::fabs(*c.airmass - sky::airmass_of(*c.altitude_deg)) < 1e-12);
}

TEST_CASE("the Moon's phase of Meeus' example 48.a") {
  // 1992-04-12 0h TD: k = 0.6786 (from memory).
  const auto when = seconds_from_iso("1992-04-11T23:59:01");
  REQUIRE(when);
  const auto c = sky::circumstances(*when, std::nullopt, SkyPoint{134.7, 13.8});
  CHECK(std::fabs(c.moon_phase - 0.6786) < 3e-4);
  CHECK_FALSE(c.altitude_deg);
  CHECK_FALSE(c.moon_altitude_deg);
  // Example 47.a: the Moon's geocentric place then is 134.688 +13.768 of the date.
  CHECK(*c.moon_separation_deg < 0.25);
}

TEST_CASE("below the horizon there is no airmass; without site only the Moon's phase") {
  const auto when = seconds_from_iso("2031-03-14T22:00:00");
  const auto low = sky::circumstances(*when, sky::Site{50.0, 8.0}, SkyPoint{0.0, -80.0});
  CHECK(*low.altitude_deg < 0.0);
  CHECK_FALSE(low.airmass);
  const auto bare = sky::circumstances(*when, std::nullopt, std::nullopt);
  CHECK_FALSE(bare.sun_altitude_deg);
  CHECK_FALSE(bare.moon_separation_deg);
  CHECK(bare.moon_phase >= 0.0);
  CHECK(bare.moon_phase <= 1.0);
}

TEST_CASE("a sample for the cross-check with astropy") {
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  std::ofstream out(folder == nullptr ? std::string("/dev/null")
                                      : std::string(folder) + "/ephemeris.csv");
  out << "utc,latitude,longitude,ra,dec,altitude,azimuth,sun_altitude,moon_altitude,moon_phase,"
         "moon_separation\n"
      << std::setprecision(12);
  RandomStream random(20310314, 7, 0);
  const double first = *seconds_from_iso("1995-01-01T00:00:00");
  for (int i = 0; i < 60; ++i) {
    const double utc_s = first + std::floor(random.uniform() * 1.1e9);
    const sky::Site site{-70.0 + 140.0 * random.uniform(), -180.0 + 360.0 * random.uniform()};
    const SkyPoint target{360.0 * random.uniform(), -85.0 + 170.0 * random.uniform()};
    const auto c = sky::circumstances(utc_s, site, target);
    out << iso_from_seconds(utc_s) << ',' << site.latitude_deg << ',' << site.longitude_deg << ','
        << target.ra_deg << ',' << target.dec_deg << ',' << *c.altitude_deg << ',' << *c.azimuth_deg
        << ',' << *c.sun_altitude_deg << ',' << *c.moon_altitude_deg << ',' << c.moon_phase << ','
        << *c.moon_separation_deg << '\n';
    REQUIRE(std::isfinite(*c.altitude_deg));
  }
  CHECK(out.good());
}
