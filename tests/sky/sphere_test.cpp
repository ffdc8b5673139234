// Numbers SPH-1, SPH-4 and WCS-6 of the project's check-values (Meeus, Astronomical Algorithms,
// 2nd ed., examples 17.a and 21.b; the IAU SOFA/ERFA test suite).
#include "coldframe/sky/sphere.hpp"

#include <cmath>
#include <numbers>

#include "catch.hpp"

using namespace coldframe;
using namespace coldframe::sky;

namespace {
constexpr double rad = 180.0 / std::numbers::pi;
}

TEST_CASE("SPH-1: angular separation and position angle") {
  const SkyPoint arcturus{213.9154, 19.1825};
  const SkyPoint spica{201.2983, -11.1614};
  CHECK(std::abs(separation_deg(arcturus, spica) - 32.793026837) < 1e-9);
  const SkyPoint arcturus_hms{15.0 * (14 + 15 / 60.0 + 39.7 / 3600), 19 + 10 / 60.0 + 57 / 3600.0};
  const SkyPoint spica_hms{15.0 * (13 + 25 / 60.0 + 11.6 / 3600), -(11 + 9 / 60.0 + 41 / 3600.0)};
  CHECK(std::abs(separation_deg(arcturus_hms, spica_hms) - 32.7930103351) < 1e-9);
  // Listed as 203.308411386; ERFA on these inputs gives 203.308411376.
  CHECK(std::abs(position_angle_deg(arcturus_hms, spica_hms) - 203.308411386) < 2e-8);
  const SkyPoint aldebaran{15.0 * (4 + 35 / 60.0 + 55.2 / 3600), 16 + 30 / 60.0 + 33 / 3600.0};
  const SkyPoint antares{15.0 * (16 + 29 / 60.0 + 24 / 3600.0), -(26 + 25 / 60.0 + 55 / 3600.0)};
  CHECK(std::abs(separation_deg(aldebaran, antares) - 169.962370013) < 1e-9);
  CHECK(std::abs(separation_deg({1.0 * rad, 0.1 * rad}, {0.2 * rad, -3.0 * rad}) -
                 2.346722016996998842 * rad) < 1e-12 * rad);
}

TEST_CASE("SPH-1: separations at the limits of doubles") {
  CHECK(separation_deg({0, 0}, {180, 0}) == Approx(180.0).epsilon(1e-15));
  CHECK(separation_deg({0, 90}, {0, -90}) == Approx(180.0).epsilon(1e-15));
  CHECK(separation_deg({10, 45}, {190, -45}) == Approx(180.0).epsilon(1e-13));
  CHECK(separation_deg({0, 0}, {1e-9, 0}) == Approx(1e-9).epsilon(1e-9));
  CHECK(separation_deg({0, 0}, {0, 1e-12}) == Approx(1e-12).epsilon(1e-9));
  CHECK(separation_deg({0, 60}, {1e-7, 60}) == Approx(5.0e-8).epsilon(1e-7));
  CHECK(separation_deg({359.9999, 0}, {0.0001, 0}) == Approx(2.0e-4).epsilon(1e-9));
  CHECK(position_angle_deg({0, 0}, {1, 1}) == Approx(44.9956364553).epsilon(1e-11));
  CHECK(position_angle_deg({0, 0}, {-1, 1}) == Approx(315.0043635447).epsilon(1e-12));
  CHECK(position_angle_deg({10, 60}, {11, 60}) == Approx(89.5669845501).epsilon(1e-11));
}

TEST_CASE("WCS-6: the gnomonic projection of the SOFA test suite, there and back") {
  const SkyPoint tangent{2.3 * rad, 1.5 * rad};
  const auto star = from_tangent_plane({-0.03 * rad, 0.07 * rad}, tangent);
  CHECK(std::abs(star.ra_deg / rad - 0.7596127167359629775) < 1e-13);
  CHECK(std::abs(star.dec_deg / rad - 1.540864645109263028) < 1e-13);
  const auto plane = to_tangent_plane({1.3 * rad, 1.55 * rad}, tangent);
  REQUIRE(plane);
  CHECK(std::abs(plane->x / rad - -0.01753200983236980595) < 1e-15);
  CHECK(std::abs(plane->y / rad - 0.05962940005778712891) < 1e-15);
  CHECK_FALSE(to_tangent_plane({100.0, -60.0}, {280.0, 30.0}));  // behind the plane
}

TEST_CASE("SPH-4: proper motion of theta Persei") {
  // Meeus 21.b: +0.03425 s/yr and -0.0895 arcsec/yr over 28.867049966 years from J2000 give
  // RA 41.054063, Dec 49.227750 (printed), before precession. RA's motion there is that of the
  // coordinate; ours is along the great circle. The book adds the motion as it stands; ERFA moves
  // the star along its great circle: 0.01 arcsec, as check-values allow.
  const double dec0 = 49 + 13 / 60.0 + 42.48 / 3600.0;
  const SkyPoint start{15.0 * (2 + 44 / 60.0 + 11.986 / 3600.0), dec0};
  const ProperMotion motion{15.0 * 34.25 * std::cos(dec0 / rad), -89.5};
  const auto end = moved(start, motion, 28.867049966);
  CHECK(std::abs(end.ra_deg - 41.054063) < 3e-6);
  CHECK(std::abs(end.dec_deg - 49.227750) < 3e-6);
}

TEST_CASE("a step along a position angle ends there") {
  for (const double angle : {0.0, 47.0, 135.0, 222.0, 359.0}) {
    const SkyPoint from{350.0, 72.0};
    const auto to = offset_by(from, angle, 3.5);
    CHECK(separation_deg(from, to) == Approx(3.5).epsilon(1e-12));
    CHECK(std::abs(std::remainder(position_angle_deg(from, to) - angle, 360.0)) < 1e-10);
  }
}
