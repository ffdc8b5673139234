#include "coldframe/sensor/code_levels.hpp"

#include <cmath>

#include "catch.hpp"
#include "coldframe/sensor/ladders.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::Near;

namespace {

/// A star field of codes: sky, Gaussian stars of falling brightness, cut at `full`, times `step`.
CodeHistogram star_field(double full, int step, std::uint64_t seed, double blur = 0.0) {
  const Size size{400, 300};
  Grid<float> pixels(size);
  for (int y = 0; y < size.height; ++y) {
    RandomStream random(seed, 1, static_cast<std::uint64_t>(y));
    for (int x = 0; x < size.width; ++x) {
      double light = 0.0;
      for (int k = 1; k < 20; ++k) {
        const double dx = x - (k * 97) % 400;
        const double dy = y - (k * 61) % 300;
        light += 9000.0 / k * std::exp(-(dx * dx + dy * dy) / 12.5);
      }
      const double value =
          std::min(200.0 + light, full) + std::sqrt(4.0 + 0.1 * light) * random.normal();
      const double cut = blur > 0.0 ? std::min(200.0 + light, full) + blur * random.normal()
                                    : std::min(value, full);
      pixels(x, y) = static_cast<float>(std::floor(std::max(cut, 0.0) + 0.5) * step);
    }
  }
  CodeHistogram histogram;
  histogram.add(pixels.view());
  return histogram;
}

}  // namespace

TEST_CASE("shifted data: step and saturation from star cores alone", "[code_levels]") {
  for (const int shift : {1, 4, 16}) {
    const auto levels = find_code_levels(star_field(4095.0, shift, 3), CodesOf::lights);
    CHECK(levels.step == shift);
    REQUIRE(levels.saturation);
    CHECK(levels.saturation->level_adu == 4095.0 * shift);
    CHECK(levels.saturation->sign == SaturationSign::pile);
    CHECK(!levels.lossy);
  }
}

TEST_CASE("unsaturated frames have no saturation level", "[code_levels]") {
  for (std::uint64_t seed = 1; seed <= 10; ++seed) {
    const auto levels = find_code_levels(star_field(1e9, 1, seed), CodesOf::lights);
    CHECK(!levels.saturation);
    CHECK(converter_end(levels) == 65535.0);
    // Nothing but noise: the highest codes are many pixels' and no pile.
    Grid<float> noise = test_frames::noise_plane({300, 300}, seed, 500.0, 2.0);
    for (int y = 0; y < 300; ++y) {
      for (float& v : noise.row(y)) v = std::floor(v + 0.5F);
    }
    CodeHistogram histogram;
    histogram.add(noise.view());
    CHECK(!find_code_levels(histogram, CodesOf::lights).saturation);
  }
}

TEST_CASE("full wells below the converter's end make a crowd", "[code_levels]") {
  const auto levels = find_code_levels(star_field(4000.0, 1, 5, 3.0), CodesOf::lights);
  REQUIRE(levels.saturation);
  CHECK(levels.saturation->sign == SaturationSign::crowd);
  // Below the wells' end by a hundredth of the range, at most.
  CHECK(levels.saturation->level_adu > 3940.0);
  CHECK(levels.saturation->level_adu < 4000.0);
}

TEST_CASE("data wider than 16 bits are not taken to end at 65,535", "[code_levels]") {
  // Four 16-bit samples summed on a pixel: the sum ends at 4 x 65,535.
  Grid<float> sums = test_frames::noise_plane({300, 300}, 8, 60000.0, 250.0);
  for (int x = 0; x < 40; ++x) sums(x, 7) = 150000.0F + 1000.0F * static_cast<float>(x);
  CodeHistogram open_ended;
  open_ended.add(sums.view());
  const auto unsaturated = find_code_levels(open_ended, CodesOf::lights);
  CHECK(!unsaturated.saturation);
  CHECK(unsaturated.highest == 189000.0);
  CHECK(converter_end(unsaturated) == Approx(262143.0).margin(1.0));
  for (int x = 0; x < 12; ++x) sums(x, 9) = 262140.0F;
  CodeHistogram piled;
  piled.add(sums.view());
  CodeHistogram pooled = open_ended;
  pooled.add(piled);
  const auto levels = find_code_levels(pooled, CodesOf::lights);
  REQUIRE(levels.saturation);
  CHECK(levels.saturation->level_adu == 262140.0);
  CHECK(levels.saturation->pixels == 12);
}

TEST_CASE("frames written as fractions of the range end at 1", "[code_levels]") {
  Grid<float> fractions = test_frames::noise_plane({300, 300}, 8, 0.1, 0.001);
  for (int x = 0; x < 40; ++x) fractions(x, 7) = 1.0F;
  CodeHistogram histogram;
  histogram.add(fractions.view());
  const auto levels = find_code_levels(histogram, CodesOf::lights);
  CHECK(!levels.integers);
  CHECK(converter_end(levels) == 1.0);
}

TEST_CASE("lossy codes and values between codes are told", "[code_levels]") {
  Grid<float> ramp(Size{1000, 400});
  for (int y = 0; y < 400; ++y) {
    RandomStream random(4, 2, static_cast<std::uint64_t>(y));
    for (int x = 0; x < 1000; ++x) {
      // Square-root coding: steps of 1 at the bottom, 12 at the top.
      const double value = 10.0 * x + 30.0 * random.uniform();
      const double root = std::floor(1.2 * std::sqrt(value + 1.0));
      ramp(x, y) = static_cast<float>(std::floor(root * root / 1.44));
    }
  }
  CodeHistogram histogram;
  histogram.add(ramp.view());
  const auto levels = find_code_levels(histogram, CodesOf::calibration_frames);
  CHECK(levels.lossy);
  CHECK(levels.step_high > 4.0 * levels.step);
  ramp(5, 5) += 0.5F;
  CodeHistogram halves;
  halves.add(ramp.view());
  CHECK(!find_code_levels(halves, CodesOf::calibration_frames).integers);
}

TEST_CASE("dark current doubles with temperature as published", "[ladders]") {
  // check-values CAL-1: 0.02 e/s at -10 C, doubling every 6 K: 0.0062996052 at -20, 0.0634960421 at
  // 0, 0.64 at +20.
  const double temperatures[] = {-20.0, -10.0, 0.0, 20.0};
  const double rates[] = {0.0062996052, 0.02, 0.0634960421, 0.64};
  std::vector<DarkLevel> levels;
  for (int k = 0; k < 4; ++k) {
    for (const double s : {60.0, 300.0}) {
      levels.push_back({s, temperatures[k], 500.0 + rates[k] * s, 1e-4, std::nullopt, 0.0, false});
    }
  }
  const auto currents = dark_currents(levels, 0.0);
  REQUIRE(currents.size() == 4);
  for (std::size_t k = 0; k < 4; ++k) CHECK(currents[k].adu_per_s == Near(rates[k]).epsilon(1e-6));
  const auto doubling = doubling_temperature(currents);
  REQUIRE(doubling);
  CHECK(doubling->kelvin == Near(6.0).epsilon(1e-6));
}

TEST_CASE("a camera that clamps its black level shows dark current in its noise", "[ladders]") {
  std::vector<DarkLevel> levels;
  for (const double s : {1.0, 100.0, 400.0}) {
    // Gain 2 e/ADU, 0.5 ADU/s: variance (ADU^2) grows by 0.25 per second; the level stays.
    levels.push_back({s, 0.0, 500.0, 0.01, 9.0 + 0.25 * s, 0.02, false});
  }
  const auto rate = dark_currents(levels, 2.0);
  REQUIRE(rate.size() == 1);
  CHECK(rate[0].level_is_clamped);
  CHECK(rate[0].adu_per_s == Near(0.5).epsilon(1e-6));
}

TEST_CASE("linearity: a bend is found, a fading lamp is not taken for one", "[ladders]") {
  std::vector<LightLevel> levels;
  for (int k = 1; k <= 9; ++k) {
    const double light = 6000.0 * k;
    levels.push_back({static_cast<double>(k), light * (1.0 - 0.03 * light / 54000.0), 2, 0.001});
  }
  const auto bent = linearity(levels, 60000.0);
  REQUIRE(bent.status == Linearity::Status::measured);
  CHECK(bent.exposures == 9);
  CHECK(std::abs(bent.largest) > 0.001);
  CHECK(std::abs(bent.largest) < 0.03);
  for (auto& level : levels) level.signal_adu = 6000.0 * level.exposure_s;
  CHECK(std::abs(linearity(levels, 60000.0).largest) < 1e-12);
  levels[4].lamp_spread = 0.05;
  CHECK(linearity(levels, 60000.0).status == Linearity::Status::light_not_constant);
  levels.resize(2);
  CHECK(linearity(levels, 60000.0).status == Linearity::Status::too_few_exposures);
}
