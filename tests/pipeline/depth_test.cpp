// Growth of depth with the number of subs, and how near a combination comes to the ideal.
#include "coldframe/pipeline/depth.hpp"

#include <cmath>
#include <string>

#include "catch.hpp"
#include "coldframe/stack/weights.hpp"
#include "frames.hpp"

namespace coldframe::pipeline {
namespace {

using test::collect;
using test::flat_mesh;
using test::MemorySource;

constexpr Size frame{288, 256};
constexpr double sky = 500.0;
constexpr double pi = 3.141592653589793;

/// Dithered subs of unequal noise with stars and, in some, a trail.
struct Night {
  Calibration calibration;
  std::vector<std::vector<ChannelSky>> skies;
  std::vector<CombineSub> subs;
  std::vector<std::shared_ptr<MemorySource>> sources;

  Night(std::size_t count, unsigned seed, std::size_t trailed) {
    calibration.defects = Mask(frame);
    calibration.gain_e_per_adu = 1.0;
    calibration.unit = PixelUnit::electron;
    RandomStream random(seed, 31, 4);
    std::vector<stack::SubNoise> noises;
    skies.resize(count);
    for (std::size_t i = 0; i < count; ++i) {
      const double noise = 20.0 + 6.0 * static_cast<double>(i % 4);
      const double dx = 10.0 * random.uniform() - 5.0, dy = 10.0 * random.uniform() - 5.0;
      Grid<float> pixels =
          test::noisy_frame(frame, 100 * seed + static_cast<unsigned>(i), sky, noise);
      const double angle = random.uniform() * pi;  // drawn for all, so that dithers stay the same
      if (i < trailed) draw_trail(pixels, 15.0 * noise, angle, {140.0 - dx, 120.0 - dy});
      skies[i].push_back(
          {flat_mesh(frame, static_cast<float>(sky), static_cast<float>(noise)), 1, 0, 0});
      sources.push_back(std::make_shared<MemorySource>(std::move(pixels)));
      CombineSub sub;
      sub.open = [source = sources.back()] { return source; };
      sub.calibration = &calibration;
      sub.transform = Transform::affine(1.0, 0.0, dx, 0.0, 1.0, dy);
      sub.exposure_s = 60.0;
      subs.push_back(std::move(sub));
      noises.push_back({noise, 1.0, 3.0, 0.0});
    }
    const auto weights = stack::sub_weights(noises, stack::Weighting::inverse_variance);
    for (std::size_t i = 0; i < count; ++i) {
      subs[i].sky = &skies[i];
      subs[i].weights = {weights[i]};
    }
  }

  static void draw_trail(Grid<float>& pixels, double peak, double angle, Point through) {
    for (int y = 0; y < frame.height; ++y) {
      for (int x = 0; x < frame.width; ++x) {
        const double d = (x - through.x) * std::sin(angle) - (y - through.y) * std::cos(angle);
        pixels(x, y) += static_cast<float>(peak * std::exp(-0.5 * d * d / 1.7));
      }
    }
  }
};

test::Collected combined(const Night& night, stack::Rejection rule) {
  CombineSettings settings;
  settings.canvas = frame;
  settings.sky_level = {sky};
  settings.combine.rule = rule;
  MemoryPlan plan;
  plan.strip_rows = 64;
  return collect(night.subs, settings, plan, Threads{2});
}

double block_variance(const Grid<float>& image) {
  constexpr int edge = 16, side = 8;
  double squares = 0.0, count = 0.0;
  for (int j = edge; j + side <= frame.height - edge; j += side) {
    for (int i = edge; i + side <= frame.width - edge; i += side) {
      double sum = 0.0;
      for (int y = j; y < j + side; ++y) {
        for (int x = i; x < i + side; ++x) sum += static_cast<double>(image(x, y)) - sky;
      }
      squares += sum * sum;
      count += 1.0;
    }
  }
  return squares / count;
}

}  // namespace

TEST_CASE("The default rule keeps the efficiency of the ideal combination", "[pipeline]") {
  // Variance of 8 x 8 blocks: the ideal weighted mean without rejection over the default. Both see
  // the same noise, so the ratio is known far better than either (under 1 %).
  for (const std::size_t count : {8U, 12U, 30U}) {
    double ideal = 0.0, achieved = 0.0;
    double told = 0.0;
    for (unsigned seed = 1; seed <= 2; ++seed) {
      const Night night(count, seed, 0);
      ideal += block_variance(combined(night, stack::Rejection::none).mean[0]);
      const auto got = combined(night, stack::Rejection::noise_model);
      achieved += block_variance(got.mean[0]);
      told += 0.5 * got.totals.depth.snr_of_ideal;
    }
    INFO(count << " subs: efficiency " << ideal / achieved << ", told " << told);
    CHECK(ideal / achieved >= 0.97);
    CHECK(told >= 0.985);  // of signal to noise: the root
    CHECK(told <= 1.001);
  }
}

TEST_CASE("A tenth of the subs with trails costs little", "[pipeline]") {
  // Ideal: the same noise without the trails. Trails are masked as found (18 px), their wings too.
  for (const std::size_t count : {10U, 20U}) {
    const std::size_t trailed = count / 10;
    double ideal = 0.0, masked = 0.0, unmasked = 0.0;
    for (unsigned seed = 1; seed <= 3; ++seed) {
      ideal += block_variance(combined(Night(count, seed, 0), stack::Rejection::none).mean[0]);
      Night night(count, seed, trailed);
      unmasked += block_variance(combined(night, stack::Rejection::noise_model).mean[0]);
      RandomStream random(seed, 31, 4);
      for (std::size_t i = 0; i < trailed; ++i) {
        static_cast<void>(random.uniform());
        static_cast<void>(random.uniform());
        const double angle = random.uniform() * pi;
        const double c = 400.0 * std::cos(angle), s = 400.0 * std::sin(angle);
        stack::Trail trail;
        trail.x1 = 140.0 - c;
        trail.y1 = 120.0 - s;
        trail.x2 = 140.0 + c;
        trail.y2 = 120.0 + s;
        trail.width_px = 18.0;
        night.subs[i].trails.push_back(trail);
      }
      masked += block_variance(combined(night, stack::Rejection::noise_model).mean[0]);
    }
    INFO(count << " subs: efficiency " << ideal / masked << ", by rejection alone "
               << ideal / unmasked);
    CHECK(ideal / masked >= 0.95);
  }
}

TEST_CASE("Depth grows as the data say", "[pipeline]") {
  const std::size_t subs = 32;
  Grid<float> blocks(static_cast<int>(subs), 1000);
  RandomStream random(9, 41, 0);
  for (int b = 0; b < 1000; ++b) {
    const double object = b % 4 == 0 ? 500.0 * random.uniform() : 0.0;
    for (float& v : blocks.row(b)) v = static_cast<float>(100.0 + object + 3.0 * random.normal());
  }
  const std::vector<double> weights(subs, 1.0 / subs);
  const DepthGrowth white = measure_growth(blocks.cview(), weights);
  REQUIRE(white.steps.size() == 6);  // 1 2 4 8 16 32
  for (const auto& step : white.steps) {
    INFO(step.subs);
    // Its own error told: within 4 of it, and that error within reason.
    CHECK(step.noise == Approx(3.0 / std::sqrt(step.subs)).margin(4.0 * step.error));
    CHECK(step.error < 0.06 * step.noise);
  }
  CHECK(white.slope == Approx(-0.5).margin(4.0 * white.slope_error));
  CHECK(white.slope_error < 0.02);
  // Neighbours in time that share half of their variance average later: shallower at first.
  for (int b = 0; b < 1000; ++b) {
    double memory = 0.0;
    for (float& v : blocks.row(b)) {
      memory = 0.9 * memory + std::sqrt(1.0 - 0.81) * random.normal();
      v = static_cast<float>(100.0 + 2.0 * memory + 2.0 * random.normal());
    }
  }
  CHECK(measure_growth(blocks.cview(), weights).blocks >= 600);
  // Too few subs to halve twice.
  const std::vector<double> three(3, 1.0);
  CHECK(measure_growth(blocks.cview(), three).steps.empty());
  // As many subs again: half the variance, 1.25 log10(2) = 0.376 mag; with as much common noise
  // less.
  CHECK(gain_mag(4.0, 0.0, -0.5, 20, 20) == Approx(0.3763).margin(1e-4));
  CHECK(gain_mag(4.0, 4.0, -0.5, 20, 20) == Approx(1.25 * std::log10(8.0 / 6.0)).margin(1e-9));
}

TEST_CASE("A combination tells its growth and what each sub gave", "[pipeline]") {
  const Night night(16, 4, 0);
  const auto got = combined(night, stack::Rejection::noise_model);
  const auto& depth = got.totals.depth;
  REQUIRE(depth.growth.steps.size() == 5);
  // Known noise: 8 x 8 sums of a resampled frame hardly know the kernel. 1/20 for 40 blocks'
  // scatter.
  const auto& all = depth.growth.steps.back();
  double information = 0.0;
  for (std::size_t i = 0; i < 16; ++i)
    information += 1.0 / std::pow(20.0 + 6.0 * static_cast<double>(i % 4), 2.0);
  CHECK(all.noise == Approx(1.0 / std::sqrt(information) / 8.0).margin(4.0 * all.error));
  CHECK(depth.growth.slope == Approx(-0.5).margin(4.0 * depth.growth.slope_error + 0.02));
  double sum = 0.0;
  for (const double share : depth.contribution) sum += share;
  CHECK(sum == Approx(1.0));
  CHECK(depth.contribution[0] / depth.contribution[3] == Approx(38.0 * 38.0 / 400.0).epsilon(0.08));
}

}  // namespace coldframe::pipeline
