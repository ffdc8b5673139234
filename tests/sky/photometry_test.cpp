// Numbers PSF-4, PHO-2 and PHO-3 of the project's check-values (King 1983; Meeus), known
// straight lines, and the definition of the 5 sigma limit.
#include "coldframe/sky/photometry.hpp"

#include <cmath>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::sky;

TEST_CASE("PSF-4: noise-equivalent areas in units of FWHM squared") {
  CHECK(noise_equivalent_area(1.0, 0.0) == Approx(2.2661800709).epsilon(1e-9));
  CHECK(noise_equivalent_area(1.0, 2.5) == Approx(4.3700432901).epsilon(1e-9));
  CHECK(noise_equivalent_area(1.0, 3.0) == Approx(3.7770996410).epsilon(1e-9));
  CHECK(noise_equivalent_area(2.0, 4.765) == Approx(4.0 * 3.0183940354).epsilon(1e-9));
}

TEST_CASE("PHO-2: zero point of one star, and the counts of a sky") {
  ZeroPointSample star;
  star.instrumental = -2.5 * std::log10(152340.0 / 60.0);
  star.magnitude = 14.25;
  const auto zero = fit_zero_point(std::vector<ZeroPointSample>(3, star));
  REQUIRE(zero);
  CHECK(zero->magnitude.value == Approx(22.7616567522).epsilon(1e-11));
  // ZP 25, mu 21, 1.5 arcsec/px: 89.5741133745 per second and pixel.
  CHECK(surface_brightness(25.0, 89.5741133745 * 60.0, 60.0, 1.5) == Approx(21.0).epsilon(1e-11));
}

TEST_CASE("a zero point with a colour term, scatter and outliers") {
  constexpr double truth = 21.537, term = -0.12, noise = 0.02;
  RandomStream random(11, 1, 0);
  std::vector<ZeroPointSample> samples;
  for (int i = 0; i < 200; ++i) {
    ZeroPointSample s;
    s.colour = 0.8 + 0.4 * random.normal();
    s.magnitude = 12.0 + 4.0 * random.uniform();
    s.instrumental_error = 0.005;
    s.instrumental = s.magnitude - truth - term * (s.colour - 0.8) + noise * random.normal();
    if (i % 10 == 0) s.instrumental -= 0.5 + random.uniform();  // blends, variables
    samples.push_back(s);
  }
  const auto zero = fit_zero_point(samples);
  REQUIRE(zero);
  REQUIRE(zero->colour_term);
  // 180 stars of 0.0206 mag: standard error 0.0015; four of them.
  CHECK(std::abs(zero->at(0.8) - truth) < 0.006);
  CHECK(zero->magnitude.error == Approx(0.0206 / std::sqrt(180.0)).epsilon(0.2));
  CHECK(std::abs(zero->colour_term->value - term) < 4.0 * 0.0206 / 0.4 / std::sqrt(180.0));
  CHECK(zero->scatter == Approx(0.02).epsilon(0.25));
  CHECK(zero->left_out >= 20);
  CHECK(zero->left_out <= 24);
  CHECK_FALSE(fit_zero_point(std::vector<ZeroPointSample>(2)));
}

TEST_CASE("limits follow from their definitions") {
  DepthInput d;
  d.zero_point = 25.0;
  d.exposure_s = 100.0;
  d.noise_per_px = 10.0;
  d.fwhm_px = 3.0;
  d.arcsec_per_px = 2.0;
  // Gaussian: area 2.26618 x 9 px, error 45.16, 5 sigma 225.8 counts in 100 s.
  const double counts = 5.0 * 10.0 * std::sqrt(2.2661800709 * 9.0);
  CHECK(limiting_magnitude(d) == Approx(25.0 - 2.5 * std::log10(counts / 100.0)).epsilon(1e-10));
  // 10 arcsec are 5 px: the mean of 25 px has an error of 2; 3 sigma are 6 per px of 4 arcsec^2.
  CHECK(limiting_surface_brightness(d) ==
        Approx(25.0 - 2.5 * std::log10(6.0 / 400.0)).epsilon(1e-10));
  d.star_noise_factor = d.area_noise_factor = 2.0;
  CHECK(limiting_magnitude(d) ==
        Approx(25.0 - 2.5 * std::log10(2.0 * counts / 100.0)).epsilon(1e-10));
}

TEST_CASE("depth grows by 1.25 log10 of equal exposures") {
  const std::vector<DepthStep> steps(16, {120.0, 0.7});
  const auto growth = depth_growth(steps, 22.0);
  REQUIRE(growth.size() == 16);
  CHECK(growth.back().magnitude == Approx(22.0));
  CHECK(growth.back().exposure_s == Approx(1920.0));
  CHECK(growth[3].magnitude == Approx(22.0 - 1.25 * std::log10(4.0)));
}

TEST_CASE("extinction of 0.21 mag per airmass among clouds") {
  RandomStream random(5, 2, 0);
  std::vector<ExtinctionSample> samples;
  for (int i = 0; i < 40; ++i) {
    const double airmass = 1.05 + 0.02 * i;
    double dimming = 0.21 * airmass - 0.2 + 0.01 * random.normal();
    if (i % 8 == 3) dimming += 0.3 + random.uniform();  // clouds only dim
    samples.push_back({airmass, dimming, 0.01});
  }
  const auto found = fit_extinction(samples);
  REQUIRE(found);
  CHECK(std::abs(found->mag_per_airmass.value - 0.21) < 4.0 * found->mag_per_airmass.error);
  CHECK(found->mag_per_airmass.error < 0.012);
  CHECK(found->left_out >= 5);
  for (auto& s : samples) s.airmass = 1.2;  // nothing to tell it from
  CHECK_FALSE(fit_extinction(samples));
}

TEST_CASE("colours are balanced at the colour that is to be white") {
  RandomStream random(7, 3, 0);
  std::vector<ColourSample> samples;
  for (int i = 0; i < 60; ++i) {
    const double c = 0.9 + 0.35 * random.normal();
    const double g = 1e4;
    // Sensor: red 0.75, blue 0.6 of green for a star of colour 0.65, and straight lines about it.
    samples.push_back({0.75 * g * std::pow(10.0, 0.4 * 0.5 * (c - 0.65)), g,
                       0.60 * g * std::pow(10.0, -0.4 * 0.4 * (c - 0.65)), c});
  }
  const auto found = balance_colours(samples, 0.65);
  REQUIRE(found);
  CHECK(found->from_catalogue);
  CHECK(found->red == Approx(1.0 / 0.75).epsilon(1e-6));
  CHECK(found->blue == Approx(1.0 / 0.60).epsilon(1e-6));
  for (auto& s : samples) s.colour = std::nan("");
  const auto mean = balance_colours(samples, 0.0);
  REQUIRE(mean);
  CHECK_FALSE(mean->from_catalogue);
  CHECK(mean->red < found->red);  // the mean star is redder than white
}
