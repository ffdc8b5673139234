#include "coldframe/sim/render.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/statistics.hpp"
#include "near.hpp"

using namespace coldframe;
using namespace coldframe::sim;

namespace {

const FramePlan& frame_of(const Simulator& simulator, FrameKind kind, int index = 0) {
  for (const FramePlan& frame : simulator.frames()) {
    if (frame.kind == kind && frame.index == index) return frame;
  }
  throw std::runtime_error("no such frame");
}

Grid<std::uint16_t> rendered(const Simulator& simulator, FrameKind kind, int index = 0) {
  return simulator.render(frame_of(simulator, kind, index), Threads{2});
}

std::vector<double> values_of(const Grid<std::uint16_t>& codes) {
  std::vector<double> values;
  for (int y = 0; y < codes.height(); ++y) {
    for (const std::uint16_t v : codes.row(y)) values.push_back(static_cast<double>(v));
  }
  return values;
}

bool same(const Grid<std::uint16_t>& a, const Grid<std::uint16_t>& b) {
  for (int y = 0; y < a.height(); ++y) {
    for (int x = 0; x < a.width(); ++x) {
      if (a(x, y) != b(x, y)) return false;
    }
  }
  return a.size() == b.size();
}

/// A sensor without faults; tests switch on one at a time. `sensor` and `rest` are the inside
/// of JSON objects.
Simulator make(const std::string& sensor, const std::string& rest) {
  using Json = nlohmann::json;
  Json scene = Json::parse(R"({"dark_cosmic_rays": 0, "optics": {"vignetting": 0, "dust_count": 0},
    "sensor": {"width": 300, "height": 200, "hot_pixel_share": 0, "cold_pixel_share": 0,
               "dark_e_per_s": 0, "bias_structure_adu": 0, "pixel_response_sd": 0}})");
  scene.merge_patch(Json::parse("{" + rest + "}"));
  scene["sensor"].merge_patch(Json::parse("{" + sensor + "}"));
  return Simulator(parse_scene(scene.dump(), "test"));
}

}  // namespace

TEST_CASE("frames are the same bits for any number of threads and differ from each other") {
  const Simulator simulator(parse_scene(
      R"({"sensor": {"width": 333, "height": 211, "cfa": "GBRG", "row_noise_e": 2, "column_noise_e": 1,
          "telegraph_share": 0.01, "glow_e": 50}, "bias": 1, "darks": 2,
          "sky": {"stars": 60, "cluster_stars": 100, "galaxy_e_per_s": 500, "halo_e_per_s": 100},
          "lights": {"count": 2, "trails": 1, "rotation_total_deg": 5, "smear_px": 3}})",
      "test"));
  for (const FrameKind kind :
       {FrameKind::light, FrameKind::dark, FrameKind::flat, FrameKind::bias}) {
    const FramePlan& frame = frame_of(simulator, kind);
    const auto one = simulator.render(frame, Threads{1});
    for (const int threads : {2, 3, 8}) CHECK(same(one, simulator.render(frame, Threads{threads})));
  }
  CHECK_FALSE(
      same(rendered(simulator, FrameKind::dark, 0), rendered(simulator, FrameKind::dark, 1)));
}

TEST_CASE("bias frames show offset and read noise") {
  const auto simulator =
      make(R"("read_noise_e": 5, "gain_e_per_adu": 1.6, "offset_adu": 321)", R"("bias": 2)");
  const auto values = values_of(rendered(simulator, FrameKind::bias));
  const double n = static_cast<double>(values.size());
  const double sd = std::sqrt(25.0 / (1.6 * 1.6) + 1.0 / 12.0);  // read noise and rounding
  CHECK(mean(values) == Near(321.0).margin(5.0 * sd / std::sqrt(n)));
  CHECK(standard_deviation(values) == Near(sd).epsilon(5.0 / std::sqrt(2.0 * n)));
}

TEST_CASE("pairs of flats obey the photon transfer relation") {
  // Janesick 2007: gain = signal / (variance of half the difference, read noise taken off).
  const auto simulator = make(R"("read_noise_e": 4, "gain_e_per_adu": 1.7, "offset_adu": 400)",
                              R"("flats": 2, "flat_drift": 0, "flat_level_share": 0.4)");
  const auto a = values_of(rendered(simulator, FrameKind::flat, 0));
  const auto b = values_of(rendered(simulator, FrameKind::flat, 1));
  std::vector<double> difference(a.size());
  for (std::size_t i = 0; i < a.size(); ++i) difference[i] = a[i] - b[i];
  const double sd = standard_deviation(difference);
  const double variance = 0.5 * sd * sd - 16.0 / (1.7 * 1.7) - 1.0 / 12.0;
  const double signal = 0.5 * (mean(a) + mean(b)) - 400.0;
  CHECK(signal == Near(0.4 * 50000.0 / 1.7).epsilon(1e-3));
  CHECK(signal / variance ==
        Near(1.7).epsilon(5.0 * std::sqrt(2.0 / static_cast<double>(a.size()))));
}

TEST_CASE("a star's flux and place are those of the truth, after shift, rotation and flip") {
  const auto simulator =
      make(R"("width": 600, "height": 500)",
           R"("sky": {"stars": 8, "gradient": 0, "cloud_brightening": 0, "sky_rise": 0},
      "lights": {"count": 4, "dither_px": 6, "rotation_total_deg": 30, "flip_at": 2, "exposure_s": 50,
                 "transparency_sd": 0.2}, "seed": 12)");
  int checked = 0;
  for (int i = 0; i < 4; ++i) {
    const TrueSub& sub = simulator.truth().subs[static_cast<std::size_t>(i)];
    const SubScene& scene = simulator.scene().lights[static_cast<std::size_t>(i)];
    const auto light =
        simulator.expected_light(frame_of(simulator, FrameKind::light, i), Threads{2});
    for (const TrueStar& star : simulator.truth().stars) {
      const Point at = sub.sky_to_sub.apply({star.x, star.y});
      // The definition written out: rotation about the centre, then the shift.
      const double angle =
          (scene.rotation_deg + (scene.flipped ? 180.0 : 0.0)) * 3.14159265358979323846 / 180.0;
      const double u = star.x - 299.5;
      const double v = star.y - 249.5;
      CHECK(at.x ==
            Near(299.5 + u * std::cos(angle) - v * std::sin(angle) + scene.shift_x).margin(1e-9));
      CHECK(at.y ==
            Near(249.5 + u * std::sin(angle) + v * std::cos(angle) + scene.shift_y).margin(1e-9));
      bool alone = at.x > 45 && at.y > 45 && at.x < 555 && at.y < 455;
      for (const TrueStar& other : simulator.truth().stars) {
        const double r = std::hypot(other.x - star.x, other.y - star.y);
        alone = alone && (&other == &star || r > 90.0);
      }
      if (!alone) continue;
      double sum = 0.0;
      double mx = 0.0;
      double my = 0.0;
      for (int y = static_cast<int>(at.y) - 40; y <= static_cast<int>(at.y) + 41; ++y) {
        for (int x = static_cast<int>(at.x) - 40; x <= static_cast<int>(at.x) + 41; ++x) {
          const double value = static_cast<double>(light(x, y)) - sub.sky_e;
          sum += value;
          mx += value * (x - at.x);
          my += value * (y - at.y);
        }
      }
      ++checked;
      CHECK(sum == Near(star.flux_e_per_s * 50.0 * sub.transparency).epsilon(3e-3));
      CHECK(std::abs(mx / sum) < 0.01);
      CHECK(std::abs(my / sum) < 0.01);
    }
  }
  CHECK(checked >= 3);
}

TEST_CASE("noise of the sky is that of the truth") {
  const auto simulator = make(R"("read_noise_e": 6, "gain_e_per_adu": 0.9)",
                              R"("sky": {"stars": 0, "gradient": 0, "sky_e_per_s": 3},
                                 "lights": {"count": 1, "cosmic_rays": 0})");
  const auto values = values_of(rendered(simulator, FrameKind::light));
  const TrueSub& truth = simulator.truth().subs[0];
  const double expected = std::sqrt(truth.noise_e * truth.noise_e + 0.81 / 12.0);
  const double n = static_cast<double>(values.size());
  CHECK(truth.sky_e == Near(360.0));
  CHECK(0.9 * standard_deviation(values) == Near(expected).epsilon(5.0 / std::sqrt(2.0 * n)));
  CHECK(0.9 * (mean(values) - 500.0) == Near(360.0).margin(5.0 * expected / std::sqrt(n)));
}

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

TEST_CASE("star counts follow the magnitude slope, the cluster its profile") {
  const auto simulator =
      make("", R"("sky": {"stars": 20000, "magnitude_slope": 0.3, "magnitude_range": 5,
      "brightest_e_per_s": 1000, "cluster_stars": 20000, "cluster_core_px": 10, "cluster_tidal_px": 338.844156},
      "lights": {"count": 1, "dither_px": 0})");
  double brighter = 0.0;
  double field = 0.0;
  double inside = 0.0;
  double cluster = 0.0;
  for (const TrueStar& star : simulator.truth().stars) {
    if (star.cluster) {
      cluster += 1.0;
      inside += std::hypot(star.x - 149.5, star.y - 99.5) < 30.5457022 ? 1.0 : 0.0;
    } else {
      field += 1.0;
      brighter += star.flux_e_per_s > 1000.0 * std::pow(10.0, -0.4 * 3.0) ? 1.0 : 0.0;
    }
  }
  const double expected = (std::pow(10.0, 0.9) - 1.0) / (std::pow(10.0, 1.5) - 1.0);
  CHECK(brighter / field == Near(expected).margin(5.0 * std::sqrt(expected / field)));
  CHECK(inside / cluster == Near(0.5).margin(5.0 * 0.5 / std::sqrt(cluster)));
}

TEST_CASE("headers say what a camera would") {
  const Simulator simulator(parse_scene(
      R"({"object": "Wren Galaxy", "sensor": {"width": 64, "height": 48, "cfa": "RGGB", "gain_e_per_adu": 0.75},
          "bias": 1, "omit": ["SET-TEMP"], "lights": {"count": 2, "flip_at": 1}})",
      "test"));
  const auto info = [&](FrameKind kind, int index = 0) {
    return interpret_header(simulator.header(frame_of(simulator, kind, index)), {64, 48}, 1);
  };
  for (const FrameKind kind : {FrameKind::light, FrameKind::dark, FrameKind::flat,
                               FrameKind::flat_dark, FrameKind::bias}) {
    CHECK(info(kind).kind == kind);
  }
  const FrameInfo light = info(FrameKind::light, 1);
  CHECK(light.object == "Wren Galaxy");
  CHECK(light.filter == "L");
  CHECK(light.cfa == CfaPattern::rggb);
  CHECK(light.exposure_s.value() == 120.0);
  CHECK(light.gain_e_per_adu.value() == 0.75);
  CHECK(light.gain_setting.value() == 100.0);
  CHECK(light.temperature_c.value() == Near(-10.0).margin(0.25));
  CHECK_FALSE(light.set_temperature_c.has_value());
  CHECK(light.start_text.substr(0, 19) == "2031-03-14T20:32:10");
  CHECK(light.ra_deg.value() == Near(150.0).margin(0.05));
  CHECK(light.problems.empty());
}

TEST_CASE("the truth is JSON with everything a check needs") {
  const auto simulator = make(R"("hot_pixel_share": 0.001)", R"("lights": {"count": 3, "overrides":
      [{"index": 1, "smear_px": 8}, {"index": 2, "transparency": 0.2, "trails": 1}]}, "sky": {"stars": 10})");
  const auto root = nlohmann::json::parse(truth_json(simulator));
  CHECK(root["subs"].size() == 3);
  CHECK(root["subs"][1]["spoiled"] == "smeared");
  CHECK(root["subs"][2]["spoiled"] == "clouded");
  CHECK(root["subs"][2]["trails"].size() == 1);
  CHECK(root["subs"][0]["matrix"][0][2].get<double>() ==
        Near(simulator.truth().subs[0].sky_to_sub.matrix[2]));
  CHECK(root["stars"].size() == simulator.truth().stars.size());
  CHECK(root["hot_pixels"].size() == simulator.truth().hot_pixels.size());
  // A star at the grid's centre would stand at the pointing; the scale is 206.265 p / f.
  const TrueStar& star = simulator.truth().stars[0];
  const double scale = 206.265 * 4.6 / 620.0 / 3600.0;
  CHECK(star.dec_deg - 30.0 == Near(scale * (star.y - 99.5)).margin(1e-4));
  CHECK((star.ra_deg - 150.0) * std::cos(30.0 * 3.14159265 / 180.0) ==
        Near(-scale * (star.x - 149.5)).margin(1e-3));
}
