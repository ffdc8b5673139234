// Faults of the sensor and of the night, each switched on alone.
#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/sim/render.hpp"
#include "near.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sim;

TEST_CASE("hot and telegraph pixels stand in the darks where the truth says") {
  const auto simulator =
      make(R"("hot_pixel_share": 0.002, "hot_pixel_e_per_s": 20, "telegraph_share": 0.001,
                                 "telegraph_e": 800)",
           R"("darks": 12, "dark_exposure_s": 50)");
  const Truth& truth = simulator.truth();
  REQUIRE(truth.hot_pixels.size() > 100);
  REQUIRE(truth.telegraph_pixels.size() > 50);
  std::vector<Grid<std::uint16_t>> darks;
  for (int i = 0; i < 12; ++i) darks.push_back(rendered(simulator, FrameKind::dark, i));
  for (std::size_t i = 0; i < 20; ++i) {
    const HotPixel& hot = truth.hot_pixels[i];
    double sum = 0.0;
    for (const auto& dark : darks) sum += dark(hot.x, hot.y) - 500.0;
    const double expected = hot.e_per_s * 50.0;
    CHECK(sum / 12.0 == Near(expected).margin(5.0 * std::sqrt((expected + 9.0) / 12.0)));
  }
  const HotPixel& jumping = truth.telegraph_pixels[0];
  int high = 0;
  for (const auto& dark : darks) {
    const double value = dark(jumping.x, jumping.y) - 500.0;
    const bool up = value > 0.25 * jumping.e_per_s * 50.0;
    CHECK(value == Near(up ? jumping.e_per_s * 50.0 : 0.0).margin(120.0));
    high += up ? 1 : 0;
  }
  CHECK(high > 0);
  CHECK(high < 12);
}

TEST_CASE("full well and the converter's range clip, shifted codes stay multiples") {
  const auto flat = [](const std::string& sensor) {
    const auto simulator = make(sensor, R"("flats": 1, "flat_level_share": 1.5)");
    return values_of(rendered(simulator, FrameKind::flat));
  };
  // The well is the limit: all pixels stand at well / gain + offset.
  const auto well = flat(R"("full_well_e": 20000, "gain_e_per_adu": 2, "read_noise_e": 0)");
  CHECK(mean(well) == Near(10500.0));
  CHECK(standard_deviation(well) == 0.0);
  // The converter is the limit: 12 bits shifted left by 4.
  const auto range = flat(R"("adc_bits": 12, "left_shift": 4, "full_well_e": 1e6)");
  for (const double value : range) REQUIRE(value == 4095.0 * 16.0);
  const auto simulator = make(R"("adc_bits": 14, "left_shift": 2)", R"("bias": 1)");
  for (const double value : values_of(rendered(simulator, FrameKind::bias))) {
    REQUIRE(std::fmod(value, 4.0) == 0.0);
  }
  const Header header = simulator.header(frame_of(simulator, FrameKind::bias));
  CHECK(header.real("EGAIN").value() == Near(0.25));
}

TEST_CASE("a colour sensor sees the sky through its filters") {
  const auto simulator =
      make(R"("cfa": "GRBG", "channel_response": [0.5, 1.0, 0.8])",
           R"("sky": {"stars": 0, "gradient": 0, "sky_colour": [1.2, 1.0, 0.9], "sky_e_per_s": 10},
                                 "lights": {"count": 1, "exposure_s": 100})");
  const auto light = simulator.expected_light(frame_of(simulator, FrameKind::light), Threads{1});
  CHECK(light(0, 0) == Near(1000.0));  // G R
  CHECK(light(1, 0) == Near(600.0));   // B G
  CHECK(light(0, 1) == Near(720.0));
  CHECK(light(1, 1) == Near(1000.0));
  CHECK(simulator.truth().subs[0].sky_e == Near(1000.0));
}

TEST_CASE("ugly truths appear when switched on") {
  SECTION("row noise changes from frame to frame") {
    const auto simulator = make(R"("row_noise_e": 10)", R"("bias": 2)");
    std::vector<double> differences;
    const auto a = rendered(simulator, FrameKind::bias, 0);
    const auto b = rendered(simulator, FrameKind::bias, 1);
    for (int y = 0; y < a.height(); ++y) {
      double sum = 0.0;
      for (int x = 0; x < a.width(); ++x)
        sum += static_cast<double>(a(x, y)) - static_cast<double>(b(x, y));
      differences.push_back(sum / a.width());
    }
    // sd of a row's difference: sqrt(2) 10 e; 200 rows fix it to 5%.
    CHECK(standard_deviation(differences) == Near(14.14).epsilon(0.25));
  }
  SECTION("glow grows faster than the time") {
    const std::string sensor = R"("glow_e": 400, "glow_power": 2, "read_noise_e": 1)";
    const auto glow = [&](const std::string& seconds) {
      const auto simulator = make(sensor, R"("darks": 1, "dark_exposure_s": )" + seconds);
      const auto dark = rendered(simulator, FrameKind::dark);
      double sum = 0.0;
      for (int y = 0; y < 10; ++y) {
        for (int x = 290; x < 300; ++x) sum += dark(x, y) - 500.0;
      }
      return sum / 100.0;
    };
    CHECK(glow("200") / glow("100") == Near(4.0).epsilon(0.05));
  }
  SECTION("the response has a step above the dual-gain level") {
    const auto simulator =
        make(R"("dual_gain_adu": 5000, "dual_gain_step": 0.1, "full_well_e": 20000)",
             R"("flats": 1, "flat_level_share": 0.5)");
    CHECK(mean(values_of(rendered(simulator, FrameKind::flat))) ==
          Near(500.0 + 10500.0).margin(5.0));
  }
  SECTION("dust moves between flats and lights, vignetting takes the corner's share") {
    const auto simulator = make("", R"("flats": 1,
        "optics": {"vignetting": 0.4, "dust_count": 5, "dust_depth": 0.3, "dust_moved_px": 30})");
    const auto flat = rendered(simulator, FrameKind::flat);
    const auto lights = simulator.flat_response();
    double worst = 0.0;
    for (int y = 0; y < 200; ++y) {
      for (int x = 0; x < 300; ++x) {
        worst = std::max(
            worst, std::abs((flat(x, y) - 500.0) / 25000.0 - static_cast<double>(lights(x, y))));
      }
    }
    CHECK(worst > 0.08);  // noise is 0.006: only a moved shadow does this
    const double corner =
        std::min({static_cast<double>(lights(0, 0)), static_cast<double>(lights(299, 199))});
    CHECK(corner == Near(0.6).margin(1e-4));
  }
  SECTION("trails cross the frame with their height") {
    const auto simulator =
        make("", R"("sky": {"stars": 0}, "lights": {"count": 1, "trails": 1, "cosmic_rays": 0,
                                       "trail_e_per_px": 400}, "seed": 4)");
    const auto& frame = frame_of(simulator, FrameKind::light);
    const auto expected = simulator.expected_light(frame, Threads{1});
    const auto codes = simulator.render(frame, Threads{1});
    const TrueTrail& trail = simulator.truth().subs[0].trails.at(0);
    const double length = std::hypot(trail.x2 - trail.x1, trail.y2 - trail.y1);
    double along = 0.0;
    double truth = 0.0;
    const int steps = 150;
    for (int i = 0; i < steps; ++i) {
      const double t = (i + 0.5) / steps;
      const int x = static_cast<int>(std::lround(trail.x1 + t * (trail.x2 - trail.x1)));
      const int y = static_cast<int>(std::lround(trail.y1 + t * (trail.y2 - trail.y1)));
      const double off =
          ((x - trail.x1) * (trail.y2 - trail.y1) - (y - trail.y1) * (trail.x2 - trail.x1)) /
          length;
      truth += trail.peak_e *
               std::exp(-4.0 * std::log(2.0) * off * off / (trail.fwhm_px * trail.fwhm_px));
      along += codes(x, y) - 500.0 - static_cast<double>(expected(x, y));
    }
    // Photon and read noise of a pixel is below 32 e.
    CHECK(along / steps == Near(truth / steps).margin(5.0 * 32.0 / std::sqrt(steps)));
    CHECK(truth / steps > 0.85 * trail.peak_e);
    const double edges[] = {trail.x1 + 0.5, trail.x2 - 299.5, trail.y1 + 0.5, trail.y2 - 199.5,
                            trail.x2 + 0.5, trail.x1 - 299.5, trail.y2 + 0.5, trail.y1 - 199.5};
    CHECK(std::count_if(std::begin(edges), std::end(edges),
                        [](double e) { return std::abs(e) < 1e-6; }) == 2);
  }
  SECTION("cosmic rays hit") {
    const auto simulator =
        make("", R"("sky": {"stars": 0}, "lights": {"count": 1, "cosmic_rays": 30})");
    const auto values = values_of(rendered(simulator, FrameKind::light));
    const double noise = simulator.truth().subs[0].noise_e;
    const auto hits = std::count_if(values.begin(), values.end(), [&](double v) {
      return v - 500.0 - 480.0 > 8.0 * noise + 60.0;
    });
    CHECK(hits > 10);
    CHECK(hits < 600);
  }
}
