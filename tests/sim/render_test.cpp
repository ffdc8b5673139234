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
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sim;

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
