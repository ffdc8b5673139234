// Scales, sky differences and weights.
#include "coldframe/stack/normalise.hpp"

#include <cmath>
#include <cstdint>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/stack/weights.hpp"

using namespace coldframe;
using namespace coldframe::stack;

namespace {

std::vector<FluxPair> common_stars(std::uint64_t seed, std::size_t count, double scale,
                                   double flat_error, double spoilt_share) {
  RandomStream random(seed, 3, count);
  std::vector<FluxPair> pairs;
  for (std::size_t k = 0; k < count; ++k) {
    const double flux = 1000.0 * std::exp(3.0 * random.uniform());
    const double error = std::sqrt(flux + 4000.0);
    double sub = flux / scale * (1.0 + flat_error * random.normal()) + error * random.normal();
    if (random.uniform() < spoilt_share) sub *= 1.3 + random.uniform();  // variable or blended
    pairs.push_back({sub, flux + error * random.normal(), error, error});
  }
  return pairs;
}

}  // namespace

TEST_CASE("The scale comes from common stars with an honest error", "[stack]") {
  for (const double spoilt : {0.0, 0.15}) {
    for (const double flat_error : {0.0, 0.02}) {
      std::vector<double> pulls;
      for (std::uint64_t k = 0; k < 300; ++k) {
        const ScaleEstimate e = estimate_scale(common_stars(k, 80, 1.27, flat_error, spoilt));
        REQUIRE(e.usable);
        pulls.push_back((e.scale - 1.27) / e.error);
      }
      INFO(spoilt << " spoilt, flat " << flat_error);
      CHECK(std::fabs(mean(pulls)) < 0.8);  // blends within the limits pull a little
      CHECK(standard_deviation(pulls) == Approx(1.0).margin(0.2));
    }
  }
}

TEST_CASE("Too few common stars give no scale", "[stack]") {
  const std::vector<FluxPair> two{{100, 200, 1, 1}, {50, 100, 1, 1}};
  CHECK_FALSE(estimate_scale(two).usable);
  CHECK(estimate_scale(two).scale == 1.0);
  const std::vector<FluxPair> bad{{-1, 200, 1, 1}, {50, 0, 1, 1}, {50, 100, 1, 1}, {10, 20, 1, 1}};
  CHECK_FALSE(estimate_scale(bad).usable);
  const std::vector<FluxPair> exact{{100, 200, 0, 0}, {50, 100, 0, 0}, {10, 20, 0, 0}};
  CHECK(estimate_scale(exact).scale == Approx(2.0).epsilon(1e-12));
}

namespace {

double moonrise(double x, double y) { return 12.0 + 0.01 * x - 0.004 * y + 6e-6 * x * y; }

std::vector<SkyPair> cells(Size frame, double sigma, double object_share, double right_edge = 1.0) {
  RandomStream random(5, 9, 1);
  std::vector<SkyPair> pairs;
  for (int y = 16; y < frame.height; y += 32) {
    for (int x = 16; x < frame.width * right_edge; x += 32) {
      double value = moonrise(x, y) + sigma * random.normal();
      if (random.uniform() < object_share) value += 30.0 * random.uniform();
      pairs.push_back(
          {{static_cast<double>(x), static_cast<double>(y)}, 100.0, 100.0 + value, 1.0});
    }
  }
  return pairs;
}

double worst(const SkySurface& s, Size frame) {
  double largest = 0.0;
  for (int y = 0; y < frame.height; y += 25) {
    for (int x = 0; x < frame.width; x += 25) {
      largest = std::max(largest, std::fabs(s.at(x, y) - moonrise(x, y)));
    }
  }
  return largest;
}

}  // namespace

TEST_CASE("A smooth difference of two skies is found among objects", "[stack]") {
  const Size frame{800, 600};
  // 475 cells of 0.5: the corner's standard error is sqrt(26 / 475) 0.5 = 0.12.
  const SkySurface s = fit_sky_difference(cells(frame, 0.5, 0.08), frame, SkyMatching::surface, 2);
  CHECK(s.order == 2);
  CHECK(s.coefficients.size() == 6);
  CHECK(worst(s, frame) < 0.5);
  CHECK(s.rms == Approx(0.5).epsilon(0.15));
  const SkySurface exact =
      fit_sky_difference(cells(frame, 0.0, 0.0), frame, SkyMatching::surface, 2);
  CHECK(worst(exact, frame) < 1e-9);
  const SkySurface level = fit_sky_difference(cells(frame, 0.5, 0.0), frame, SkyMatching::level);
  CHECK(level.coefficients.size() == 1);
  CHECK(level.at(0, 0) == level.at(700, 10));
  CHECK(fit_sky_difference(cells(frame, 0.5, 0.0), frame, SkyMatching::none).at(3, 3) == 0.0);
}

TEST_CASE("A sky difference is as simple as the data ask", "[stack]") {
  const Size frame{800, 600};
  const auto pairs = [&](auto&& difference, std::uint64_t seed) {
    RandomStream random(seed, 12, 2);
    std::vector<SkyPair> list;
    for (int y = 16; y < frame.height; y += 32) {
      for (int x = 16; x < frame.width; x += 32) {
        list.push_back(
            {{1.0 * x, 1.0 * y}, 100.0, 100.0 + difference(x, y) + 0.5 * random.normal(), 1.0});
      }
    }
    return list;
  };
  // 20 skies that differ by a level: 475 cells of 0.5 give it to 0.023; no slope is printed.
  int levels = 0, slopes = 0;
  for (std::uint64_t seed = 0; seed < 20; ++seed) {
    const auto even =
        fit_sky_difference(pairs([](int, int) { return 7.0; }, seed), frame, SkyMatching::surface);
    levels += even.order == 0 ? 1 : 0;
    CHECK(even.at(0, 0) == Approx(7.0).margin(0.1));
    const auto tilted = fit_sky_difference(pairs([](int x, int) { return 0.002 * x; }, seed), frame,
                                           SkyMatching::surface);
    slopes += tilted.order == 1 ? 1 : 0;
  }
  CHECK(levels >= 19);
  CHECK(slopes >= 19);
}

TEST_CASE("A wrong scale does not press the halo into the sky", "[stack]") {
  // A galaxy with a wide halo over half the field and a scale that is 0.5 % off: the difference
  // holds 0.5 % of the halo, 3 at its middle. The truth is a slope; the fit must leave most of that
  // alone.
  const Size frame{800, 600};
  RandomStream random(3, 13, 0);
  std::vector<SkyPair> list;
  const auto halo = [](double x, double y) {
    return 600.0 * std::exp(-std::hypot(x - 400.0, y - 300.0) / 90.0);
  };
  for (int y = 16; y < frame.height; y += 32) {
    for (int x = 16; x < frame.width; x += 32) {
      const double reference = 400.0 + halo(x, y) + 0.2 * random.normal();
      const double sub = 0.995 * halo(x, y) + 396.0 - 0.01 * x + 0.2 * random.normal();
      list.push_back({{1.0 * x, 1.0 * y}, sub, reference, 1.0});
    }
  }
  const SkySurface s = fit_sky_difference(list, frame, SkyMatching::surface);
  for (const auto& [x, y] : {std::pair{400, 300}, std::pair{10, 10}, std::pair{790, 590},
                             std::pair{400, 10}, std::pair{10, 300}}) {
    INFO(x << "," << y << " order " << s.order);
    CHECK(std::fabs(s.at(x, y) - (4.0 + 0.01 * x)) < 0.45);
  }
}

TEST_CASE("Slopes are brought to the mean of all subs, levels to the reference", "[stack]") {
  const Size frame{400, 300};
  SkySurface reference{frame, 0, {0.0}, 0.0}, a{frame, 1, {5.0, 3.0, 0.0}, 0.0},
      b{frame, 2, {1.0, 3.0, -3.0, 0.0, 0.0, 1.2}, 0.0};
  const std::vector<SkySurface*> all{&reference, &a, &b};
  const std::vector<double> weights{0.25, 0.25, 0.5};
  const double before = a.at(50, 70) - b.at(50, 70);
  take_out_mean_slopes(all, weights);
  CHECK(a.at(50, 70) - b.at(50, 70) == Approx(before));  // subs against each other: unchanged
  CHECK(reference.coefficients[0] == 0.0);
  CHECK(a.coefficients[0] == 5.0);
  for (std::size_t k = 1; k < 6; ++k) {
    const double sum =
        0.25 * reference.coefficients[k] + 0.25 * a.coefficients[k] + 0.5 * b.coefficients[k];
    CHECK(sum == Approx(0.0).margin(1e-12));
  }
}

TEST_CASE("A surface is not stretched far beyond its points", "[stack]") {
  const Size frame{800, 600};
  const SkySurface s =
      fit_sky_difference(cells(frame, 0.5, 0.0, 0.3), frame, SkyMatching::surface, 3);
  CHECK(s.order < 3);
  CHECK(worst(s, frame) < 9.0);  // a level does as much; a cubic would be off by hundreds
  const std::vector<SkyPair> one{{{10, 10}, 100.0, 107.0, 1.0}};
  CHECK(fit_sky_difference(one, frame, SkyMatching::surface, 2).at(500, 500) == Approx(7.0));
  CHECK(fit_sky_difference({}, frame, SkyMatching::surface, 2).at(500, 500) == 0.0);
}

TEST_CASE("Weights are those of the literature", "[stack]") {
  // Inverse variance, recomputed: sigma = 10 12 15 20 8.
  const std::vector<SubNoise> noise{{10, 1, 1}, {12, 1, 1}, {15, 1, 1}, {20, 1, 1}, {8, 1, 1}};
  const std::vector<double> published{0.2530755712, 0.1757469244, 0.1124780316, 0.0632688928,
                                      0.3954305800};
  const std::vector<double> w = sub_weights(noise, Weighting::inverse_variance);
  for (std::size_t i = 0; i < 5; ++i) CHECK(w[i] == Approx(published[i]).epsilon(1e-9));

  // Zackay & Ofek 2017: T = 1 .8 .5, sky variance 100 150 300, FWHM 2 2.5 4. On the common scale
  // a sub's weight is T^2 / variance (/ FWHM^2), relative to the first:
  const std::vector<SubNoise> subs{
      {10, 1, 2}, {std::sqrt(150.0), 1.25, 2.5}, {std::sqrt(300.0), 2, 4}};
  const std::vector<double> p = sub_weights(subs, Weighting::point_source);
  CHECK(p[1] / p[0] == Approx(0.2730666667).epsilon(1e-9));
  CHECK(p[2] / p[0] == Approx(0.0208333333).epsilon(1e-8));
  CHECK(std::sqrt(1.0 / p[0]) == Approx(1.1374972527).epsilon(1e-9));  // gain over the best frame
  const std::vector<double> e = sub_weights(subs, Weighting::inverse_variance);
  CHECK(e[1] / e[0] == Approx(0.4266666667).epsilon(1e-9));
  CHECK(e[2] / e[0] == Approx(0.0833333333).epsilon(1e-9));
  CHECK(std::sqrt(1.0 / e[0]) == Approx(1.2288205727).epsilon(1e-9));

  const std::vector<SubNoise> broken{{10, 1, 2}, {0, 1, 2}, {10, 1, 2}};
  CHECK(sub_weights(broken, Weighting::equal) == std::vector<double>{0.5, 0.0, 0.5});
  CHECK(sub_weights(broken, Weighting::inverse_variance)[1] == 0.0);
}
