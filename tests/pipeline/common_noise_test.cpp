// UNCERT against the scatter of many simulated results that share the errors of their masters.
#include <cmath>
#include <memory>
#include <string>
#include <vector>

#include "catch.hpp"
#include "frames.hpp"

namespace coldframe::pipeline {
namespace {

using test::collect;
using test::flat_mesh;
using test::MemorySource;

enum class Pointing { still, drifting, dithered, turning };

struct Case {
  std::string name;
  Pointing pointing;
  CfaPattern cfa = CfaPattern::none;
  int darks = 5;
};

constexpr Size frame{224, 192};
constexpr double read_noise = 10.0;
constexpr double sky = 600.0;
constexpr double flat_sd = 0.004;
constexpr std::size_t sub_count = 8;

Transform placed(Pointing pointing, std::size_t i, RandomStream& random) {
  const auto k = static_cast<double>(i);
  switch (pointing) {
    case Pointing::still:
      return Transform::affine(1.0, 0.0, 0.0, 0.0, 1.0, 0.0);
    case Pointing::drifting:
      return Transform::affine(1.0, 0.0, 0.63 * k, 0.0, 1.0, -0.37 * k);
    case Pointing::dithered:
      return Transform::affine(1.0, 0.0, 12.0 * random.uniform() - 6.0, 0.0, 1.0,
                               12.0 * random.uniform() - 6.0);
    case Pointing::turning: {
      const double angle = 0.02 * (k - 3.5);
      const double c = std::cos(angle);
      const double s = std::sin(angle);
      return Transform::affine(c, -s, 112.0 - 112.0 * c + 96.0 * s, s, c,
                               96.0 - 112.0 * s - 96.0 * c);
    }
  }
  return {};
}

// Subs whose calibration left the errors of one dark (of few frames) and one flat in.
struct Night {
  Calibration calibration;
  std::vector<ChannelSky> sky_of_sub;
  std::vector<CombineSub> subs;

  Night(const Case& c, unsigned seed) {
    const double dark_variance = read_noise * read_noise / c.darks;
    calibration.cfa = c.cfa;
    calibration.gain_e_per_adu = 1e6;  // no photon noise: none is simulated
    calibration.defects = Mask(frame);
    calibration.subtract_variance = Grid<float>(7, 6, static_cast<float>(dark_variance));
    calibration.flat_variance = Grid<float>(7, 6, static_cast<float>(flat_sd * flat_sd));
    calibration.subtract_id = 0;
    calibration.flat_id = 1;
    const Grid<float> dark = test::noisy_frame(frame, 2 * seed, 0.0, std::sqrt(dark_variance));
    const Grid<float> flat = test::noisy_frame(frame, 2 * seed + 1, 1.0, flat_sd);
    const double noise =
        std::sqrt(read_noise * read_noise + dark_variance + sky * sky * flat_sd * flat_sd);
    const int planes = c.cfa == CfaPattern::none ? 1 : 3;
    for (int p = 0; p < planes; ++p) {
      const int step = planes == 3 ? 2 : 1;
      sky_of_sub.push_back(
          {flat_mesh(frame, static_cast<float>(sky), static_cast<float>(noise), step), step, 0, 0});
    }
    RandomStream random(seed, 99, 1);
    for (std::size_t i = 0; i < sub_count; ++i) {
      Grid<float> pixels =
          test::noisy_frame(frame, 1000 * seed + static_cast<unsigned>(i) + 7, sky, read_noise);
      for (int y = 0; y < frame.height; ++y) {
        for (int x = 0; x < frame.width; ++x) {
          pixels(x, y) = pixels(x, y) * flat(x, y) + dark(x, y);
        }
      }
      CombineSub sub;
      sub.open = [source = std::make_shared<MemorySource>(std::move(pixels))] { return source; };
      sub.calibration = &calibration;
      sub.transform = placed(c.pointing, i, random);
      sub.weights.assign(static_cast<std::size_t>(planes), 1.0 / sub_count);
      sub.exposure_s = 60.0;
      sub.sky = &sky_of_sub;
      subs.push_back(std::move(sub));
    }
  }
};

// Pull of pixels and of 8 x 8 sums: 1 when UNCERT and its factor are honest.
struct Pulls {
  double pixel = 0.0, pixels = 0.0, block = 0.0, blocks = 0.0;
};

void add_pulls(const test::Collected& got, std::size_t plane, Pulls& pulls) {
  constexpr int edge = 24;
  constexpr int side = 8;
  const double factor = got.totals.noise_correlation[plane][1];
  REQUIRE(aperture_sides[1] == side);
  for (int j = edge; j + side <= frame.height - edge; j += side) {
    for (int i = edge; i + side <= frame.width - edge; i += side) {
      double sum = 0.0;
      double variance = 0.0;
      for (int y = j; y < j + side; ++y) {
        for (int x = i; x < i + side; ++x) {
          const double d = static_cast<double>(got.mean[plane](x, y)) - sky;
          const auto sd = static_cast<double>(got.uncertainty[plane](x, y));
          sum += d;
          variance += sd * sd;
          pulls.pixel += d * d / (sd * sd);
          pulls.pixels += 1.0;
        }
      }
      pulls.block += sum * sum / (variance * factor * factor);
      pulls.blocks += 1.0;
    }
  }
}

std::vector<Pulls> measure(const Case& c, unsigned trials) {
  const int planes = c.cfa == CfaPattern::none ? 1 : 3;
  std::vector<Pulls> pulls(static_cast<std::size_t>(planes));
  for (unsigned t = 0; t < trials; ++t) {
    const Night night(c, 17 * t + 3);
    CombineSettings settings;
    settings.canvas = frame;
    settings.planes = planes;
    settings.sky_level.assign(static_cast<std::size_t>(planes), sky);
    MemoryPlan plan;
    plan.strip_rows = 96;
    const auto got = collect(night.subs, settings, plan, Threads{2});
    for (std::size_t p = 0; p < pulls.size(); ++p) add_pulls(got, p, pulls[p]);
  }
  return pulls;
}

void check_case(const Case& c, unsigned trials, double tolerance) {
  const auto pulls = measure(c, trials);
  for (std::size_t p = 0; p < pulls.size(); ++p) {
    const double pixel = std::sqrt(pulls[p].pixel / pulls[p].pixels);
    const double block = std::sqrt(pulls[p].block / pulls[p].blocks);
    INFO(c.name << " darks " << c.darks << " plane " << p << ": pixel " << pixel << " block "
                << block);
    CHECK(pixel == Approx(1.0).margin(0.05));
    CHECK(block == Approx(1.0).margin(0.05 + tolerance));
  }
}

}  // namespace

TEST_CASE("UNCERT holds the masters' common noise, per pixel and in 8 x 8 sums") {
  // 396 blocks a trial: the scatter of 6 trials is known to 1/sqrt(2 * 2376) = 1.5 %.
  for (const auto pointing : {Pointing::still, Pointing::drifting, Pointing::dithered}) {
    check_case({"mono " + std::to_string(static_cast<int>(pointing)), pointing}, 6, 0.03);
  }
}

TEST_CASE("UNCERT holds the masters' noise in every colour and with many darks too") {
  // 4 trials: 1/sqrt(2 * 1584) = 1.8 %, twice that allowed. The soak has all cases to 0.8 %.
  check_case({"colour still", Pointing::still, CfaPattern::rggb, 5}, 4, 0.036);
  check_case({"colour dithered", Pointing::dithered, CfaPattern::rggb, 40}, 4, 0.036);
  check_case({"mono still", Pointing::still, CfaPattern::none, 40}, 4, 0.036);
}

TEST_CASE("UNCERT in many simulated sessions", "[.soak]") {
  for (const int darks : {5, 40}) {
    for (const auto pointing :
         {Pointing::still, Pointing::drifting, Pointing::dithered, Pointing::turning}) {
      for (const auto cfa : {CfaPattern::none, CfaPattern::rggb}) {
        check_case({std::string(to_string(cfa)) + " " + std::to_string(static_cast<int>(pointing)),
                    pointing, cfa, darks},
                   30, 0.015);
      }
    }
  }
}

}  // namespace coldframe::pipeline
