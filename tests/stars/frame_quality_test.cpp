// The figures of a sub against the simulator's half-maximum contour (other code than the fits'):
// median FWHM within 1%, elongation within 0.01, direction within 3 degrees above 0.08.
#include <cmath>

#include "catch.hpp"
#include "coldframe/sim/render.hpp"
#include "coldframe/stars/field_shape.hpp"
#include "coldframe/stars/measure.hpp"
#include "sim/psf.hpp"
#include "stars/star_scene.hpp"

using namespace coldframe;
using namespace coldframe::stars;

namespace {

struct Case {
  double seeing, smear, angle;
  CfaPattern cfa;
};

}  // namespace

TEST_CASE("width, elongation and direction of smeared, undersampled and mosaic subs") {
  for (const Case& c :
       {Case{3.0, 0.0, 0.0, CfaPattern::none}, Case{1.5, 0.0, 0.0, CfaPattern::none},
        Case{3.0, 3.0, 110.0, CfaPattern::none}, Case{2.5, 2.0, 40.0, CfaPattern::rggb},
        Case{3.0, 6.0, 20.0, CfaPattern::none}}) {
    CAPTURE(c.seeing, c.smear, c.angle);
    sim::OpticsScene optics;
    sim::SubScene sub;
    sub.seeing_fwhm_px = c.seeing;
    sub.smear_px = c.smear;
    sub.smear_angle_deg = c.angle;
    const sim::PointSpread psf(optics, sub, {640, 512});
    Grid<float> image(640, 512, 250.0F);
    const Mask mask(640, 512);
    const double all[4] = {1.0, 1.0, 1.0, 1.0};
    for (const auto& star : star_scene::lattice_stars(640, 512, 40, 3000, 90000, 41)) {
      psf.add_star(image.view(), 0, 512, {star.x, star.y}, star.flux, all, 1e-3);
    }
    star_scene::add_noise(image, 4.0, 42);
    MeasureOptions options;
    options.cfa = c.cfa;
    const auto quality = measure_frame(image.cview(), mask.cview(), options, Threads{1}).quality;
    const auto truth = psf.recorded_width();
    CHECK(quality.fwhm_px == Approx(truth.fwhm_px).epsilon(0.01));
    CHECK(std::fabs(quality.ellipticity - truth.ellipticity) < 0.01);
    if (truth.ellipticity > 0.08) {
      CHECK(std::fabs(std::remainder(quality.angle_deg - c.angle, 180.0)) < 3.0);
    }
  }
}

TEST_CASE("a sweep of 32 subs over seeing, smear, direction and mosaics") {
  RandomStream random(2031, 32, 0);
  for (int k = 0; k < 32; ++k) {
    Case c{};
    c.cfa = k % 4 == 3 ? CfaPattern::rggb : CfaPattern::none;
    c.seeing = (c.cfa == CfaPattern::none ? 1.6 : 2.4) + 3.0 * random.uniform();
    c.smear = (0.3 + 1.4 * random.uniform()) * c.seeing * (k % 3 == 0 ? 0.2 : 1.0);
    c.angle = 180.0 * random.uniform();
    CAPTURE(k, c.seeing, c.smear, c.angle);
    sim::OpticsScene optics;
    sim::SubScene sub;
    sub.seeing_fwhm_px = c.seeing;
    sub.smear_px = c.smear;
    sub.smear_angle_deg = c.angle;
    const sim::PointSpread psf(optics, sub, {512, 400});
    Grid<float> image(512, 400, 250.0F);
    const Mask mask(512, 400);
    const double all[4] = {1.0, 1.0, 1.0, 1.0};
    for (const auto& star : star_scene::lattice_stars(512, 400, 42, 8000, 120000,
                                                      700 + static_cast<std::uint64_t>(k))) {
      psf.add_star(image.view(), 0, 400, {star.x, star.y}, star.flux, all, 1e-3);
    }
    star_scene::add_noise(image, 4.0, 800 + static_cast<std::uint64_t>(k));
    MeasureOptions options;
    options.cfa = c.cfa;
    const auto quality = measure_frame(image.cview(), mask.cview(), options, Threads{1}).quality;
    const auto truth = psf.recorded_width();
    CAPTURE(truth.fwhm_px, truth.ellipticity, quality.fitted);
    CHECK(quality.fwhm_px == Approx(truth.fwhm_px).epsilon(0.01));
    CHECK(std::fabs(quality.ellipticity - truth.ellipticity) < 0.01);
    if (truth.ellipticity > 0.08) {
      CHECK(std::fabs(std::remainder(quality.angle_deg - c.angle, 180.0)) < 3.0);
    }
  }
}

TEST_CASE("tilt, curvature and corner shapes of a drawn field come back with honest errors") {
  StarList list;
  RandomStream random(5, 31, 0);
  for (int i = 0; i < 300; ++i) {
    Star star;
    star.x = 1499.0 * random.uniform();
    star.y = 999.0 * random.uniform();
    const double u = 2.0 * (star.x + 0.5) / 1500.0 - 1.0;
    const double v = 2.0 * (star.y + 0.5) / 1000.0 - 1.0;
    // FWHM^2 = 9 + 0.6 u - 0.8 v + 0.5 (u^2 + v^2), 3% scatter.
    star.fwhm_px =
        std::sqrt(9.0 + 0.6 * u - 0.8 * v + 0.5 * (u * u + v * v)) * (1.0 + 0.03 * random.normal());
    star.fwhm_error_px = 0.02;
    // Radial elongation 0.2 in the corner.
    const double dx = star.x - 749.5;
    const double dy = star.y - 499.5;
    const double e = 0.2 * (dx * dx + dy * dy) / (750.0 * 750.0 + 500.0 * 500.0);
    star.fwhm_major_px = star.fwhm_px * std::pow((1.0 + e) / (1.0 - e), 0.25);
    star.fwhm_minor_px = star.fwhm_px * std::pow((1.0 - e) / (1.0 + e), 0.25);
    star.angle_deg = std::atan2(dy, dx) * 57.29578;
    star.snr = 100.0;
    star.fitted = true;
    if (i % 30 == 0) star.fwhm_px *= 2.0;  // blends
    list.push_back(star);
  }
  const auto shape = measure_field_shape(list, {1500, 1000});
  REQUIRE(shape.stars > 250);
  // d(FWHM) from edge to edge = 2 |(0.6, -0.8)| / (2 sqrt(mean FWHM^2)), mean 9.5 (Chebyshev's c0).
  const double tilt = 1.0 / std::sqrt(9.5);
  CHECK(std::fabs(shape.tilt_px.value - tilt) < 4.0 * shape.tilt_px.error);
  CHECK(shape.tilt_px.error < 0.03);
  // Steepest per pixel: (0.6/1500, -0.8/1000).
  CHECK(std::fabs(std::remainder(
            shape.tilt_direction_deg - std::atan2(-0.8 / 1000.0, 0.6 / 1500.0) * 57.29578, 360.0)) <
        10.0);
  CHECK(std::fabs(shape.curvature_px.value - (std::sqrt(10.0) - 3.0)) <
        4.0 * shape.curvature_px.error);
  CHECK(std::fabs(shape.corner_elongation.value - 0.2) < 0.02);
  CHECK(shape.fwhm_map_px[4]);
  StarList few(list.begin(), list.begin() + 10);
  CHECK(measure_field_shape(few, {1500, 1000}).stars == 0);
}
