// Planning against handbook values. Sources beside each check; the numbers are those of the
// literature's formulas recomputed with other tools.
#include "coldframe/session/plan.hpp"

#include <cmath>
#include <nlohmann/json.hpp>

#include "catch.hpp"
#include "coldframe/core/error.hpp"

namespace coldframe::session {
namespace {

PlanWish refractor() {
  PlanWish w;
  w.aperture_mm = 100.0;
  w.focal_mm = 530.0;
  w.pixel_um = 3.76;
  w.read_noise_e = 1.5;
  w.sky_e_per_s = 0.8;
  w.zero_point_mag = 20.0;
  w.seeing_arcsec = 2.5;
  return w;
}

TEST_CASE("signal-to-noise follows the CCD equation", "[plan]") {
  // Howell, Handbook of CCD Astronomy, section 4.4 (inputs from memory): 24013 ADU of 5 e, one
  // pixel, sky 620 ADU, dark 1.8 e, read noise 5 e: 342.
  CHECK(signal_to_noise(24013 * 5.0, 1.0, 620 * 5.0 + 1.8, 5.0) ==
        Approx(342.078300).epsilon(1e-8));
  CHECK(signal_to_noise(1000, 20, 52, 5) == Approx(19.8418947533).epsilon(1e-10));
  CHECK(signal_to_noise(10000, 20, 52, 5) == Approx(93.0887279168).epsilon(1e-10));
  CHECK(signal_to_noise(100, 20, 52, 5) == Approx(2.4693239916).epsilon(1e-9));
  CHECK(signal_to_noise(10000, 50, 510, 8) == Approx(50.8328567775).epsilon(1e-10));
  CHECK(signal_to_noise(50000, 12, 5.1, 1.5) == Approx(223.4098370950).epsilon(1e-10));
}

TEST_CASE("least source rate inverts the CCD equation", "[plan]") {
  for (const double subs : {1.0, 30.0}) {
    const double rate = least_source_rate(5.0, subs, 60.0, 18.0, 0.9, 2.5);
    const double noise = signal_to_noise(rate * 60.0 * subs, 18.0 * subs, 0.9 * 60.0, 2.5);
    CHECK(noise == Approx(5.0).epsilon(1e-12));
  }
}

TEST_CASE("sub length for a share of read noise", "[plan]") {
  // sky * t = R^2 / ((1+p)^2 - 1): factors of R^2 for 1, 2, 5, 10, 20 %.
  CHECK(sub_seconds(1.0, 1.0, 0.01) == Approx(49.7512437811).epsilon(1e-10));
  CHECK(sub_seconds(1.0, 1.0, 0.05) == Approx(9.7560975610).epsilon(1e-10));
  CHECK(sub_seconds(1.0, 1.0, 0.20) == Approx(2.2727272727).epsilon(1e-10));
  CHECK(sub_seconds(1.5, 0.8, 0.05) == Approx(27.4390243902).epsilon(1e-10));
  CHECK(sub_seconds(8.0, 0.5, 0.05) == Approx(1248.7804878049).epsilon(1e-10));
  const auto plan = make_plan(refractor());
  REQUIRE(plan.sub);
  CHECK(plan.sub->seconds == Approx(27.4390243902).epsilon(1e-10));
  CHECK(plan.sub->read_noise_share == Approx(0.05).epsilon(1e-9));
}

TEST_CASE("scale, field and diffraction", "[plan]") {
  auto w = refractor();
  w.sensor_px = Size{6248, 4176};
  const auto plan = make_plan(w);
  CHECK(plan.optics.arcsec_per_px == Approx(1.4633125877).epsilon(1e-9));
  CHECK(*plan.optics.field_width_deg == Approx(2.53924460).epsilon(1e-8));
  // Airy pattern at 550 nm and 100 mm (Born & Wolf; recomputed), Dawes 116/D.
  CHECK(*plan.optics.diffraction_fwhm_arcsec == Approx(1.16734883).epsilon(1e-7));
  CHECK(*plan.optics.dawes_arcsec == Approx(1.16).epsilon(1e-12));
  w.aperture_mm = 100.0;
  w.focal_mm = 630.0;
  const auto slow = make_plan(w);
  CHECK(*slow.optics.airy_disc_um == Approx(8.45231234).epsilon(1e-7));
  CHECK(*slow.optics.focus_zone_um == Approx(106.499135).epsilon(1e-7));
}

TEST_CASE("noise-equivalent areas of Moffat profiles", "[plan]") {
  // King 1983, PASP 95, 163.
  CHECK(moffat_noise_area(1.0, 2.5) == Approx(4.3700432901).epsilon(1e-9));
  CHECK(moffat_noise_area(1.0, 3.0) == Approx(3.7770996410).epsilon(1e-9));
  CHECK(moffat_noise_area(2.0, 4.765) == Approx(4 * 3.0183940354).epsilon(1e-9));
}

TEST_CASE("magnitudes and photons", "[plan]") {
  // Zero point 25, 21 mag/sq. arcsec, 1.5 arcsec/px (recomputed).
  CHECK(sky_rate(25.0, 21.0, 1.5) == Approx(89.5741133745).epsilon(1e-10));
  // Magnitude 0 gives 1008 photons/s/cm^2/angstrom: 1 cm^2, 1 angstrom, all recorded.
  const double one_cm2 = 20.0 / std::sqrt(3.14159265358979);
  CHECK(zero_point_of(one_cm2, 0.0, 0.1, 1.0) == Approx(2.5 * std::log10(1007.97)).epsilon(1e-9));
}

TEST_CASE("a reducer's arithmetic for surfaces and for stars", "[plan]") {
  auto w = refractor();
  w.focal_mm = 1000.0;
  w.reducer = 0.63;
  const auto plan = make_plan(w);
  REQUIRE(plan.reducer.size() == 2);
  const auto& with = plan.reducer[1];
  // f/10 to f/6.3: light per pixel grows by (10/6.3)^2 = 2.5195.
  CHECK(1.0 / with.exposure_per_pixel_factor == Approx(2.519526329).epsilon(1e-9));
  // Hours for a surface per square arcsecond fall only by read noise's part, not by 2.5.
  const double t = plan.sub->seconds;
  const double fine = 0.8 / 0.3969 * 0.3969 * 0.3969 + 1.5 * 1.5 / t;  // e/s per unreduced pixel
  const double expected = (0.8 + 2.25 / t) / (fine / 0.3969);
  CHECK(with.surface_time_factor == Approx(expected).epsilon(1e-9));
  CHECK(with.surface_time_factor > 0.8);
  CHECK(with.star_time_factor > 0.8);
  CHECK(with.star_time_factor < 1.1);
}

TEST_CASE("depth grows by 2.5 log root N and goals count subs", "[plan]") {
  auto w = refractor();
  w.star_mag = 19.0;
  const auto plan = make_plan(w);
  REQUIRE(plan.depth.size() >= 4);
  const auto& first = plan.depth.front();
  const auto& last = plan.depth.back();
  const double gain = 1.25 * std::log10(static_cast<double>(last.subs) / first.subs);
  // The star's own photons count a little in short totals: 2 % of the noise squared.
  CHECK(*last.star_mag_5_sigma - *first.star_mag_5_sigma == Approx(gain).margin(0.02));
  REQUIRE(plan.star_goal);
  const double rate = std::pow(10.0, 0.4 * (20.0 - 19.0));
  const double area = moffat_noise_area(*plan.optics.fwhm_px, 3.5);
  const double n = plan.star_goal->subs;
  const double t = plan.sub->seconds;
  CHECK(signal_to_noise(rate * t * n, area * n, 0.8 * t, 1.5) >= 10.0);
  CHECK(signal_to_noise(rate * t * (n - 1), area * (n - 1), 0.8 * t, 1.5) < 10.0);
}

TEST_CASE("a night's dark hours and the target's best time", "[plan]") {
  NightWish wish;
  wish.date = "2031-03-15";
  wish.site = {48.1, 11.6};
  wish.target = SkyPoint{150.0, 30.0};
  const auto night = plan_night(wish);
  // At culmination the altitude is 90 - |latitude - declination| = 71.9, precession to 2031 aside.
  REQUIRE(night.best_altitude_deg);
  CHECK(*night.best_altitude_deg == Approx(71.9).margin(0.2));
  CHECK(night.dark_hours > 8.0);
  CHECK(night.usable_hours < night.dark_hours);
  // Sun 18 degrees down at the June solstice north of 48.6 degrees: never.
  wish.date = "2031-06-21";
  wish.site = {54.0, 11.6};
  CHECK(plan_night(wish).dark_hours == 0.0);
  wish.date = "2031-02-30";
  CHECK_THROWS_AS(plan_night(wish), Error);
}

TEST_CASE("a wish names all its faults at once", "[plan]") {
  PlanWish w = refractor();
  w.obstruction_mm = 150.0;
  w.reducer = -1.0;
  try {
    (void)make_plan(w);
    FAIL("accepted");
  } catch (const Error& error) {
    const std::string line = error.what();
    CHECK(line.find("reducer") != std::string::npos);
    CHECK(line.find("obstruction") != std::string::npos);
    CHECK(error.kind() == ErrorKind::usage);
  }
  const auto plan = make_plan([] {
    PlanWish p;
    p.focal_mm = 500.0;
    p.pixel_um = 4.0;
    return p;
  }());
  CHECK_FALSE(plan.sub);
  CHECK(plan.missing.size() >= 3);
  CHECK(nlohmann::json::parse(plan_json(plan))["sub"].is_null());
}

}  // namespace
}  // namespace coldframe::session
