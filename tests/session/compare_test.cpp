// Comparisons of drawn star lists and subs with known ratios: true ratios within the stated errors,
// and 'no difference shown' between equals. Rows are drawn here, not by the simulator.
#include "coldframe/session/compare.hpp"

#include <cmath>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"

namespace coldframe::session {
namespace {

// What differs between the two sides.
struct Truth {
  double light = 1.0, width = 1.0, sky = 1.0, scale = 1.0, hours = 1.0;
};

constexpr double read_variance = 4.0;  // e^2 per sub of 60 s
constexpr double sky_rate = 2.0;       // e/s per pixel of side a
constexpr double arcsec_width = 3.0;

// One side: stars of one field seen at `scale` arcsec/px with a noise that follows from it.
Setup side(std::uint32_t seed, std::uint32_t which, const Truth& t) {
  Setup s;
  s.unit = std::string("electron");
  s.filter = std::string("L");
  const double scale = 1.5 * t.scale;
  s.arcsec_per_px = scale;
  s.subs = s.kept = static_cast<int>(40 * t.hours);
  s.exposure_s = 60.0 * s.kept;
  const double sky_px = sky_rate * t.sky * t.light * t.scale * t.scale;
  const double variance = (sky_px * 60.0 + read_variance) / 60.0;  // per second
  s.noise_per_s = std::sqrt(variance / s.exposure_s);
  s.fwhm_px = arcsec_width * t.width / scale;
  RandomStream field(seed, 1, 0);
  RandomStream noise(seed, 10 + which, 0);
  const double area = 3.4 * s.fwhm_px * s.fwhm_px;
  for (int i = 0; i < 150; ++i) {
    const double x = 1500.0 * field.uniform(), y = 1000.0 * field.uniform();
    const double rate = t.light * 40.0 * std::pow(10.0, -1.9 * field.uniform());
    Star star;
    const double error = std::sqrt((rate + area * variance) / s.exposure_s);
    star.x = x / t.scale + 0.05 * noise.normal();
    star.y = y / t.scale + 0.05 * noise.normal();
    star.flux = rate * (1.0 + 0.004 * noise.normal()) + error * noise.normal();
    star.flux_error = error;
    star.snr = star.flux / error;
    star.fwhm_px = s.fwhm_px;
    s.stars.push_back(star);
  }
  for (int i = 0; i < s.kept; ++i) {
    s.sub_fwhm_px.push_back(s.fwhm_px * (1.0 + 0.04 * noise.normal()));
    s.sub_sky_per_s.push_back(sky_px * (1.0 + 0.03 * noise.normal()));
    s.sub_ellipticity.push_back(0.06 * (1.0 + 0.15 * noise.normal()));
  }
  return s;
}

const Compared& figure(const Comparison& c, const std::string& code) {
  for (const auto& f : c.figures) {
    if (f.code == code) return f;
  }
  FAIL("no figure " << code);
  return c.figures.front();
}

TEST_CASE("true ratios come back within three per cent", "[compare]") {
  Truth b;
  b.light = 1.69;  // 1.3 times the aperture
  b.width = 1.2;
  b.sky = 0.5;
  b.scale = 1.6;
  b.hours = 0.5;
  for (std::uint32_t seed = 1; seed <= 5; ++seed) {
    const auto c = compare_setups(side(seed, 0, {}), side(seed, 1, b));
    CHECK(figure(c, "scale").ratio == Approx(1.6).epsilon(0.002));
    CHECK(figure(c, "light").ratio == Approx(1.69).epsilon(0.03));
    CHECK(figure(c, "width").ratio == Approx(1.2).epsilon(0.03));
    CHECK(figure(c, "sky").ratio == Approx(0.5).epsilon(0.03));
    // From the photon arithmetic, faint stars: light^2 over area (arcsec^2) times sky per arcsec^2.
    const double noise_a = (sky_rate * 60.0 + read_variance) / 60.0;
    const double noise_b = (sky_rate * 0.5 * 1.69 * 2.56 * 60.0 + read_variance) / 60.0 / 2.56;
    const double surface = 1.69 * 1.69 * noise_a / noise_b;
    CHECK(figure(c, "surface-speed").ratio == Approx(surface).epsilon(0.03));
    CHECK(figure(c, "surface-speed").shown);
    CHECK(figure(c, "star-speed").ratio > 0.9 * surface / 1.44);
    CHECK(figure(c, "star-speed").shown);
  }
}

TEST_CASE("between equals nothing is shown", "[compare]") {
  int alarms = 0;
  for (std::uint32_t seed = 1; seed <= 400; ++seed) {
    const auto c = compare_setups(side(seed, 0, {}), side(seed, 1, {}));
    bool any = false;
    for (const auto& f : c.figures) any = any || f.shown;
    if (any) ++alarms;
  }
  // At most 5 % asked for.
  CAPTURE(alarms);
  CHECK(alarms <= 20);
}

TEST_CASE("different skies are refused", "[compare]") {
  CHECK_THROWS_AS(compare_setups(side(1, 0, {}), side(2, 1, {})), Error);
}

}  // namespace
}  // namespace coldframe::session
