// Published and recomputed sky positions: Calabretta & Greisen 2002 (A&A 395, 1077),
// section 7.3.1; Shupe et al. 2005 (ASP 347, 491). Numbers WCS-1 to WCS-5 of the
// project's check-values (recomputed there with WCSLIB, astropy and by hand formula).
#include "coldframe/sky/wcs.hpp"

#include <cmath>
#include <thread>

#include "catch.hpp"

using namespace coldframe;

namespace {

Header tan_header(double x, double y, double ra, double dec) {
  Header h;
  h.set("CTYPE1", "RA---TAN");
  h.set("CTYPE2", "DEC--TAN");
  h.set("CRPIX1", x);
  h.set("CRPIX2", y);
  h.set("CRVAL1", ra);
  h.set("CRVAL2", dec);
  return h;
}

Header scaled(double x, double y, double ra, double dec, double scale) {
  Header h = tan_header(x, y, ra, dec);
  h.set("CDELT1", -scale);
  h.set("CDELT2", scale);
  return h;
}

/// Position of a FITS pixel (1-based), and back to 1e-7 px.
void check_position(const SkyProjection& wcs, double px, double py, double ra, double dec,
                    double tolerance) {
  CAPTURE(px, py);
  const auto sky = wcs.to_sky({px - 1.0, py - 1.0});
  REQUIRE(sky);
  CHECK(std::abs(std::remainder(sky->ra_deg - ra, 360.0)) <= tolerance);
  CHECK(std::abs(sky->dec_deg - dec) <= tolerance);
  const auto back = wcs.to_pixel(*sky);
  REQUIRE(back);
  CHECK(std::abs(back->x - (px - 1.0)) < 1e-7);
  CHECK(std::abs(back->y - (py - 1.0)) < 1e-7);
}

}  // namespace

TEST_CASE("WCS-1: header interpretation example 1 of Paper II") {
  Header h = scaled(256, 257, 45.83, 63.57, 0.003);
  h.set("LONPOLE", 180.0);
  const auto wcs = sky::projection_from_header(h);
  REQUIRE(wcs);
  check_position(*wcs, 1, 2, 47.503263772, 62.795110830, 1e-8);
  check_position(*wcs, 1, 512, 47.595581382, 64.324331652, 1e-8);
  check_position(*wcs, 511, 512, 44.064418618, 64.324331652, 1e-8);
}

TEST_CASE("WCS-2: a rotated CD matrix, and the same as CDELT with CROTA2 and PC") {
  Header cd = tan_header(1024.5, 768.5, 250.423475, 36.461319);
  cd.set("CD1_1", -3.608439182435162e-4);
  cd.set("CD1_2", 2.0833333333333332e-4);
  cd.set("CD2_1", 2.0833333333333332e-4);
  cd.set("CD2_2", 3.608439182435162e-4);
  // Paper II, eq. 189: CD1_2 = -CDELT2 sin(CROTA2), CD2_1 = CDELT1 sin(CROTA2).
  Header crota = scaled(1024.5, 768.5, 250.423475, 36.461319, 1.5 / 3600.0);
  crota.set("CROTA2", -30.0);
  Header pc = scaled(1024.5, 768.5, 250.423475, 36.461319, 1.5 / 3600.0);
  pc.set("PC1_1", std::sqrt(0.75));
  pc.set("PC1_2", -0.5);
  pc.set("PC2_1", 0.5);
  pc.set("PC2_2", std::sqrt(0.75));
  for (const auto* h : {&cd, &crota, &pc}) {
    const auto wcs = sky::projection_from_header(*h);
    REQUIRE(wcs);
    check_position(*wcs, 1, 1, 250.6822362914, 35.9708763174, 1e-9);
    check_position(*wcs, 2048, 1, 249.7660221881, 36.3957988352, 1e-9);
    check_position(*wcs, 1, 1536, 251.0820091267, 36.5232274604, 1e-9);
    check_position(*wcs, 2048, 1536, 250.1614213800, 36.9511960242, 1e-9);
    check_position(*wcs, 512.25, 1300.75, 250.7915775046, 36.5460936853, 1e-9);
    // At the tangent point a TAN pixel covers scale^2.
    const auto scale = sky::arcsec_per_px(*wcs, {1023.5, 767.5});
    REQUIRE(scale);
    CHECK(*scale == Approx(1.5).epsilon(1e-8));
  }
}

TEST_CASE("WCS-3: at and near the poles") {
  const auto north = sky::projection_from_header(scaled(100, 100, 30, 90, 0.01));
  REQUIRE(north);
  check_position(*north, 110, 100, 120, 89.9000001015, 1e-9);
  check_position(*north, 100, 110, 30, 89.9000001015, 1e-9);
  check_position(*north, 90, 100, 300, 89.9000001015, 1e-9);
  check_position(*north, 100, 90, 210, 89.9000001015, 1e-9);
  const auto south = sky::projection_from_header(scaled(100, 100, 30, -90, 0.01));
  REQUIRE(south);
  check_position(*south, 110, 100, 300, -89.9000001015, 1e-9);
  check_position(*south, 100, 110, 30, -89.9000001015, 1e-9);
  check_position(*south, 90, 100, 120, -89.9000001015, 1e-9);
  const auto near = sky::projection_from_header(scaled(100, 100, 30, 89.9, 0.01));
  REQUIRE(near);
  check_position(*near, 110, 100, 344.9999854556, 89.8585787515, 1e-9);
  check_position(*near, 90, 100, 75.0000145444, 89.8585787515, 1e-9);
  check_position(*near, 100, 90, 30, 89.8000001015, 1e-9);
  const auto pole = near->to_sky({99, 109});
  REQUIRE(pole);
  CHECK(pole->dec_deg == Approx(89.9999998985).margin(1e-9));
}

TEST_CASE("WCS-4: TAN-SIP, and a cube of planes with the same axes") {
  Header h = tan_header(1024, 1024, 83.633212, 22.01446);
  h.set("CTYPE1", "RA---TAN-SIP");
  h.set("CTYPE2", "DEC--TAN-SIP");
  h.set("CD1_1", -3.0e-4);
  h.set("CD1_2", 1.0e-5);
  h.set("CD2_1", 1.2e-5);
  h.set("CD2_2", 3.0e-4);
  h.set("A_ORDER", 3);
  h.set("B_ORDER", 3);
  const std::pair<const char*, double> terms[] = {
      {"A_2_0", 1.0e-6},  {"A_1_1", -2.0e-6}, {"A_0_2", 3.0e-7},  {"A_3_0", -1.5e-9},
      {"A_2_1", 2.5e-10}, {"A_1_2", -1.2e-9}, {"A_0_3", 4.0e-11}, {"B_2_0", -4.0e-7},
      {"B_1_1", 1.1e-6},  {"B_0_2", -2.2e-6}, {"B_3_0", 1.0e-10}, {"B_2_1", -1.4e-9},
      {"B_1_2", 3.0e-11}, {"B_0_3", -1.6e-9}};
  for (const auto& [name, value] : terms) h.set(name, value);
  Header cube = h;
  cube.set("NAXIS", 3);
  cube.set("NAXIS3", 3);
  cube.set("CTYPE3", "COLOUR");
  for (const auto* header : {&h, &cube}) {
    const auto wcs = sky::projection_from_header(*header);
    REQUIRE(wcs);
    check_position(*wcs, 1, 1, 83.9519118403, 21.6954558493, 1e-9);
    check_position(*wcs, 2048, 1, 83.2914462292, 21.7193472161, 1e-9);
    check_position(*wcs, 1, 2048, 83.9737598803, 22.3069353774, 1e-9);
    check_position(*wcs, 2048, 2048, 83.3132074347, 22.3321944270, 1e-9);
    check_position(*wcs, 300.5, 1700.25, 83.8740479417, 22.2076700498, 1e-9);
  }
}

TEST_CASE("WCS-5: other zenithal projections") {
  const struct {
    const char* code;
    double ra, dec;
  } cases[] = {{"TAN", 125.6161385886, 44.8495214040},
               {"SIN", 125.6541108413, 44.8789268386},
               {"ARC", 125.6413383003, 44.8690406332},
               {"STG", 125.6350014865, 44.8641340218},
               {"ZEA", 125.6445175161, 44.8715018612}};
  for (const auto& c : cases) {
    Header h = scaled(100, 100, 120, 40, 0.1);
    h.set("CTYPE1", std::string("RA---") + c.code);
    h.set("CTYPE2", std::string("DEC--") + c.code);
    const auto wcs = sky::projection_from_header(h);
    CAPTURE(c.code);
    REQUIRE(wcs);
    check_position(*wcs, 60, 150, c.ra, c.dec, 1e-9);
  }
}

TEST_CASE("headers without a usable solution give none") {
  CHECK_FALSE(sky::projection_from_header({}));
  Header plain;
  plain.set("NAXIS", 2);
  plain.set("OBJECT", "Wren Galaxy");
  CHECK_FALSE(sky::projection_from_header(plain));
  Header half = scaled(10, 10, 30, 40, 0.01);
  half.remove("CTYPE2");
  CHECK_FALSE(sky::projection_from_header(half));
  Header galactic = scaled(10, 10, 30, 40, 0.01);
  galactic.set("CTYPE1", "GLON-TAN");
  galactic.set("CTYPE2", "GLAT-TAN");
  CHECK_FALSE(sky::projection_from_header(galactic));
  Header old = scaled(10, 10, 30, 40, 0.01);
  old.set("EQUINOX", 1950.0);
  CHECK_FALSE(sky::projection_from_header(old));
  Header singular = tan_header(10, 10, 30, 40);
  for (const char* key : {"CD1_1", "CD1_2", "CD2_1", "CD2_2"}) singular.set(key, 1e-4);
  CHECK_FALSE(sky::projection_from_header(singular));
  Header linear = scaled(10, 10, 30, 40, 0.01);
  linear.set("CTYPE1", "X");
  linear.set("CTYPE2", "Y");
  CHECK_FALSE(sky::projection_from_header(linear));
  // The far side of the sphere is not on a tangent plane.
  const auto wcs = sky::projection_from_header(scaled(10, 10, 30, 40, 0.01));
  REQUIRE(wcs);
  CHECK_FALSE(wcs->to_pixel({210, -40}));
  CHECK_FALSE(wcs->to_sky({std::nan(""), 3.0}));
  // Hostile text in other cards neither breaks the parser nor changes the answer.
  Header odd = scaled(10, 10, 30, 40, 0.01);
  odd.set("OBJECT", "it's 'quoted' \x01 = / END");
  odd.history(std::string(300, '='));
  const auto same = sky::projection_from_header(odd);
  REQUIRE(same);
  CHECK(same->to_sky({50, 60})->ra_deg == wcs->to_sky({50, 60})->ra_deg);
}

TEST_CASE("headers may be read and used from several threads") {
  const Header h = scaled(256, 257, 45.83, 63.57, 0.003);
  const auto shared = sky::projection_from_header(h);
  REQUIRE(shared);
  std::vector<int> wrong(4, 0);
  {
    std::vector<std::jthread> threads;
    for (std::size_t t = 0; t < wrong.size(); ++t) {
      threads.emplace_back([&, t] {
        for (int i = 0; i < 200; ++i) {
          const auto own = sky::projection_from_header(h);
          const Point p{static_cast<double>(i), static_cast<double>(2 * i)};
          if (!own || own->to_sky(p)->ra_deg != shared->to_sky(p)->ra_deg) ++wrong[t];
        }
      });
    }
  }
  for (const int count : wrong) CHECK(count == 0);
}
