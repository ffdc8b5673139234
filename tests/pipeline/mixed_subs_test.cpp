// Long and short subs of different seeing through the whole combine pass.
#include <cmath>
#include <memory>

#include "catch.hpp"
#include "coldframe/stack/weights.hpp"
#include "frames.hpp"

namespace coldframe::pipeline {
namespace {

using test::flat_mesh;
using test::MemorySource;

constexpr Size frame{320, 240};
constexpr double full_well = 60000.0, read_noise = 5.0, sky_rate = 2.0, beta = 3.0;
constexpr double pi = 3.141592653589793;

double moffat(double x, double y, double fwhm) {
  const double alpha = fwhm / (2.0 * std::sqrt(std::pow(2.0, 1.0 / beta) - 1.0));
  return (beta - 1.0) / (pi * alpha * alpha) *
         std::pow(1.0 + (x * x + y * y) / (alpha * alpha), -beta);
}

struct PlacedStar {
  Point at;
  double rate;  ///< electrons per second
};

std::vector<PlacedStar> stars_of() {
  std::vector<PlacedStar> list;
  for (int k = 0; k < 12; ++k) {
    list.push_back({{40.3 + 80.0 * (k % 4) - (k % 4 > 2 ? 0.4 : 0.0), 40.7 + 80.0 * (k / 4)},
                    45000.0 * std::pow(10.0, -0.4 * 6.5 * k / 11.0)});
  }
  return list;
}

struct Night {
  Calibration calibration;
  std::vector<std::vector<ChannelSky>> skies;
  std::vector<CombineSub> subs;

  Night() {
    calibration.defects = Mask(frame);
    calibration.gain_e_per_adu = 1.0;
    calibration.unit = PixelUnit::electron;
    calibration.saturation_adu = static_cast<float>(full_well);
    skies.resize(12);
    std::vector<stack::SubNoise> noises;
    for (std::size_t i = 0; i < 12; ++i) {
      const bool is_long = i < 5;
      const double seconds = is_long ? 300.0 : 10.0;
      // The short ones were taken in worse seeing.
      const double fwhm = (is_long ? 2.7 : 3.1) + 0.1 * static_cast<double>(i % 3);
      RandomStream random(8, 51, i);
      const double dx = 8.0 * random.uniform() - 4.0, dy = 8.0 * random.uniform() - 4.0;
      Grid<float> pixels(frame);
      for (int y = 0; y < frame.height; ++y) {
        for (int x = 0; x < frame.width; ++x) {
          double rate = sky_rate;
          for (const auto& star : stars_of()) {
            const double u = x + dx - star.at.x, v = y + dy - star.at.y;
            if (u * u + v * v < 1600.0) rate += star.rate * moffat(u, v, fwhm);
          }
          const double e = rate * seconds +
                           std::sqrt(rate * seconds + read_noise * read_noise) * random.normal();
          pixels(x, y) = static_cast<float>(std::min(e, full_well));
        }
      }
      const double noise = std::sqrt(sky_rate * seconds + read_noise * read_noise);
      skies[i].push_back(
          {flat_mesh(frame, static_cast<float>(sky_rate * seconds), static_cast<float>(noise)), 1,
           0, 0});
      CombineSub sub;
      sub.open = [source = std::make_shared<MemorySource>(std::move(pixels))] { return source; };
      sub.calibration = &calibration;
      sub.transform = Transform::affine(1.0, 0.0, dx, 0.0, 1.0, dy);
      sub.scale = 300.0 / seconds;
      sub.exposure_s = seconds;
      sub.saturation_reach_px = is_long ? 6 : 0;
      subs.push_back(std::move(sub));
      noises.push_back({noise, 300.0 / seconds, fwhm, 0.0});
    }
    const auto weights = stack::sub_weights(noises, stack::Weighting::inverse_variance);
    for (std::size_t i = 0; i < 12; ++i) {
      subs[i].sky = &skies[i];
      subs[i].weights = {weights[i]};
    }
  }
};

}  // namespace

TEST_CASE("Stars are linear over six magnitudes through long and short subs", "[pipeline]") {
  const Night night;
  CombineSettings settings;
  settings.canvas = frame;
  settings.sky_level = {sky_rate * 300.0};
  MemoryPlan plan;
  plan.strip_rows = 96;
  const auto got = test::collect(night.subs, settings, plan, Threads{2});
  // Brightest: 45,000 e/s, 36,000 e at the peak of a short sub, 18 times full well in a long one.
  std::vector<double> ratios;
  for (const auto& star : stars_of()) {
    double sum = 0.0;
    for (int y = static_cast<int>(star.at.y) - 12; y <= static_cast<int>(star.at.y) + 13; ++y) {
      for (int x = static_cast<int>(star.at.x) - 12; x <= static_cast<int>(star.at.x) + 13; ++x) {
        if (std::hypot(x - star.at.x, y - star.at.y) > 12.0) continue;
        sum += static_cast<double>(got.mean[0](x, y)) - sky_rate * 300.0;
      }
    }
    ratios.push_back(sum / (300.0 * star.rate));
  }
  for (std::size_t k = 0; k < ratios.size(); ++k) {
    INFO("magnitude " << 6.5 * static_cast<double>(k) / 11.0 << ": " << ratios[k] << " of "
                      << ratios[8]);
    // The faintest: 113 e/s, noise of the aperture 0.4 % of it.
    CHECK(ratios[k] / ratios[8] == Approx(1.0).margin(0.02));
  }
}

}  // namespace coldframe::pipeline
