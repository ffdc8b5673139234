// Long and short subs of one target: what the long ones saturate comes from the short ones.
#include <algorithm>
#include <cmath>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "stack/samples.hpp"

using namespace coldframe;
using namespace coldframe::stack;
using namespace coldframe::stack::test;

namespace {

constexpr double long_s = 300.0;
constexpr double short_s = 10.0;
constexpr double full_well_e = 50000.0;
constexpr double read_noise_e = 5.0;
constexpr double sky_e = 600.0;  // of a long sub
constexpr int side = 41;

// Moffat (1969) profile of unit flux, exponent 3, half width alpha = 3 px.
double profile(double x, double y) {
  constexpr double alpha = 3.0;
  constexpr double pi = 3.141592653589793;
  return 2.0 / (pi * alpha * alpha) * std::pow(1.0 + (x * x + y * y) / (alpha * alpha), -3.0);
}

// Six long subs, then six short ones brought to their scale; a star of `flux` electrons in a long
// sub, clipped and marked at the full well.
Stack night(double flux, std::uint64_t seed) {
  Stack s({0, 0, side, side}, 12);
  for (std::size_t i = 0; i < 12; ++i) {
    const double scale = i < 6 ? 1.0 : long_s / short_s;
    const double variance = scale * scale * (read_noise_e * read_noise_e + sky_e / scale);
    s.models[i] = {static_cast<float>(1.0 / variance), static_cast<float>(variance),
                   static_cast<float>(scale), static_cast<float>(sky_e)};
    RandomStream random(seed, 5, i);
    for (int y = 0; y < side; ++y) {
      for (int x = 0; x < side; ++x) {
        const double light = (sky_e + flux * profile(x - 20.2, y - 19.9)) / scale;
        const double e = light + std::sqrt(light + read_noise_e * read_noise_e) * random.normal();
        s.values[i](x, y) = static_cast<float>(std::min(e, full_well_e) * scale);
        if (e >= full_well_e) s.masks[i](x, y) = mask_bit::saturated;
      }
    }
  }
  return s;
}

CombineOptions usual() {
  CombineOptions options;
  options.sky_level = sky_e;
  return options;
}

}  // namespace

TEST_CASE("Fluxes are linear over six magnitudes where long subs saturate", "[stack]") {
  // The brightest peaks at 1.3 million electrons on the long scale: 43,000 in a short sub.
  constexpr double brightest = 1.8e7;
  for (int magnitude = 0; magnitude <= 6; ++magnitude) {
    const double flux = brightest * std::pow(10.0, -0.4 * magnitude);
    const Combined c = combine(night(flux, 40 + static_cast<std::uint64_t>(magnitude)), usual());
    double sum = 0.0;
    double truth = 0.0;
    double worst = 0.0;
    for (int y = 10; y < side - 10; ++y) {
      for (int x = 10; x < side - 10; ++x) {
        const double light = flux * profile(x - 20.2, y - 19.9);
        const double difference = static_cast<double>(c.mean(x, y)) - sky_e - light;
        sum += static_cast<double>(c.mean(x, y)) - sky_e;
        truth += light;
        CHECK(c.flags(x, y) == 0);
        worst = std::max(worst,
                         std::fabs(difference) / std::sqrt(static_cast<double>(c.variance(x, y))));
      }
    }
    INFO("magnitude " << magnitude << " flux ratio " << sum / truth << " worst pixel " << worst);
    CHECK(sum / truth == Approx(1.0).margin(0.02));
    // No step where the long subs end: 441 Gaussian pixels stay below 5 of their own errors.
    CHECK(worst < 5.0);
  }
}

TEST_CASE("Stars that only sharp short subs saturate keep their light", "[stack]") {
  // Long subs saturate; of eight short ones half are sharp and saturate at the peak. Leaving these
  // out would leave the peak to the blurred ones.
  const auto moffat = [](double x, double y, double fwhm) {
    const double alpha = fwhm / (2.0 * std::sqrt(std::pow(2.0, 1.0 / 3.0) - 1.0));
    return 2.0 / (3.141592653589793 * alpha * alpha) *
           std::pow(1.0 + (x * x + y * y) / (alpha * alpha), -3.0);
  };
  for (const double flux : {1.25e7, 1.6e7}) {
    Stack s({0, 0, side, side}, 12);
    double truth = 0.0;
    for (std::size_t i = 0; i < 12; ++i) {
      const double scale = i < 4 ? 1.0 : long_s / short_s;
      const double variance = scale * scale * (read_noise_e * read_noise_e + sky_e / scale);
      s.models[i] = {static_cast<float>(1.0 / variance), static_cast<float>(variance),
                     static_cast<float>(scale), static_cast<float>(sky_e)};
      RandomStream random(77, 6, i);
      const double fwhm = i % 2 == 0 ? 2.6 : 3.2;
      for (int y = 0; y < side; ++y) {
        for (int x = 0; x < side; ++x) {
          const double star = flux * moffat(x - 20.2, y - 19.9, fwhm);
          if (i < 2 && x >= 10 && x < side - 10 && y >= 10 && y < side - 10) truth += 0.5 * star;
          const double light = (sky_e + star) / scale;
          const double e = light + std::sqrt(light + read_noise_e * read_noise_e) * random.normal();
          s.values[i](x, y) = static_cast<float>(std::min(e, full_well_e) * scale);
          if (e >= full_well_e) s.masks[i](x, y) = mask_bit::saturated;
        }
      }
    }
    const Combined c = combine(s, usual());
    double sum = 0.0;
    int limited = 0;
    for (int y = 10; y < side - 10; ++y) {
      for (int x = 10; x < side - 10; ++x) {
        sum += static_cast<double>(c.mean(x, y)) - sky_e;
        limited += c.flags(x, y) == mask_bit::saturated ? 1 : 0;
      }
    }
    INFO("flux " << flux << ": ratio " << sum / truth << ", pixels with limits " << limited);
    CHECK(sum / truth == Approx(1.0).margin(0.02));
    CHECK(limited > 0);
    CHECK(limited < 16);
  }
}

TEST_CASE("What every sub saturates is the highest limit, flagged", "[stack]") {
  const Combined c = combine(night(6e7, 3), usual());
  // The middle: 4.2 million electrons, where a short sub's full well stands for 1.5 million.
  CHECK(c.flags(20, 20) == mask_bit::saturated);
  CHECK(c.mean(20, 20) == Approx(full_well_e * long_s / short_s));
  // No hole: nothing in the saturated core lies below the clean pixels around it.
  double least = 1e30;
  for (int y = 17; y <= 23; ++y) {
    for (int x = 17; x <= 23; ++x) {
      REQUIRE(std::isfinite(c.mean(x, y)));
      if (c.flags(x, y) == mask_bit::saturated)
        least = std::min(least, static_cast<double>(c.mean(x, y)));
    }
  }
  CHECK(least > 0.95 * full_well_e * long_s / short_s);
}
