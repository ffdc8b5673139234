// Networks whose adjustment is known: surveyors' rules, exact compositions, planted outliers.
#include "coldframe/stack/network.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::stack;

namespace {

// Places seen by two subs that differ by `difference` (second minus first).
void add_overlap(std::vector<Sight>& sights, std::uint32_t& next, std::uint32_t a, std::uint32_t b,
                 double difference, int count) {
  for (int k = 0; k < count; ++k, ++next) {
    const double truth = 10.0 + 3.0 * k;
    sights.push_back({a, next, truth, 0.01});
    sights.push_back({b, next, truth + difference, 0.01});
  }
}

}  // namespace

TEST_CASE("a chain of differences adds up", "[network]") {
  std::vector<Sight> sights;
  std::uint32_t places = 0;
  add_overlap(sights, places, 0, 1, 2.0, 5);
  add_overlap(sights, places, 1, 2, -0.5, 5);
  add_overlap(sights, places, 2, 3, 4.0, 5);
  add_overlap(sights, places, 3, 4, 1.0, 2);  // too few in common: not linked
  const auto fit = adjust_network(sights, 5, places, {});
  CHECK(fit.corrections[0][0] == 0.0);
  CHECK(fit.corrections[1][0] == Approx(-2.0).margin(1e-7));
  CHECK(fit.corrections[2][0] == Approx(-1.5).margin(1e-7));
  CHECK(fit.corrections[3][0] == Approx(-5.5).margin(1e-7));
  CHECK(fit.linked == std::vector<bool>{true, true, true, true, false});
  CHECK(fit.corrections[4][0] == 0.0);
  CHECK(fit.shared == std::vector<std::size_t>{5, 10, 10, 5, 0});
}

TEST_CASE("a loop's misclosure is shared by its equal sides", "[network]") {
  // Levelling round a loop of equally good sides: each takes the same part of the misclosure (any
  // textbook of surveying). Sides 1.0, 2.0 and -2.7 leave 0.3.
  std::vector<Sight> sights;
  std::uint32_t places = 0;
  add_overlap(sights, places, 0, 1, 1.0, 20);
  add_overlap(sights, places, 1, 2, 2.0, 20);
  add_overlap(sights, places, 2, 0, -2.7, 20);
  const auto fit = adjust_network(sights, 3, places, {});
  CHECK(fit.corrections[1][0] == Approx(-(1.0 - 0.1)).margin(1e-7));
  CHECK(fit.corrections[2][0] == Approx(-(1.0 - 0.1) - (2.0 - 0.1)).margin(1e-7));
}

TEST_CASE("outliers lose their say", "[network]") {
  RandomStream random(3, 1, 0);
  std::vector<Sight> sights;
  std::uint32_t places = 0;
  for (; places < 200; ++places) {
    const double truth = 12.0 * random.uniform();
    const double odd = places % 10 == 0 ? 1.5 : 0.0;  // variable stars
    sights.push_back({0, places, truth + 0.02 * random.normal(), 4e-4});
    sights.push_back({1, places, truth - 0.7 + odd + 0.02 * random.normal(), 4e-4});
  }
  const auto fit = adjust_network(sights, 2, places, {});
  // 180 pairs of 0.02 sqrt 2: error 0.0021.
  CHECK(fit.corrections[1][0] == Approx(0.7).margin(0.0063));
  CHECK(fit.shared[1] >= 170);
  CHECK(fit.shared[1] <= 185);
  CHECK(fit.first_error[1] == Approx(0.0021).epsilon(0.15));
}

TEST_CASE("surfaces fit together over a row of panels", "[network]") {
  // Five panels, each a quarter over the next, with skies of their own: level, slope, curvature.
  // What counts is that all overlaps agree afterwards.
  RandomStream random(5, 2, 0);
  constexpr int panels = 5, rows = 12, columns = 16, step = 12;
  std::vector<std::array<double, 6>> sky;
  for (int i = 0; i < panels; ++i) {
    sky.push_back({i == 0 ? 0.0 : 50.0 * random.normal(), 2.0 * random.normal(),
                   2.0 * random.normal(), 0.5 * random.normal(), 0.5 * random.normal(),
                   0.5 * random.normal()});
  }
  sky[0] = {};
  constexpr double noise = 0.05;
  std::vector<Sight> sights;
  for (std::uint32_t i = 0; i < panels; ++i) {
    for (int j = 0; j < rows; ++j) {
      for (int k = 0; k < columns; ++k) {
        const double u = 2.0 * (k + 0.5) / columns - 1.0, v = 2.0 * (j + 0.5) / rows - 1.0;
        const auto& s = sky[i];
        const int column = static_cast<int>(i) * step + k;
        const double truth = 200.0 + 3.0 * std::sin(0.2 * column) + 0.4 * j;
        const double value = truth + s[0] + s[1] * u + s[2] * v + s[3] * u * u + s[4] * u * v +
                             s[5] * v * v + noise * random.normal();
        sights.push_back({i, static_cast<std::uint32_t>(column * rows + j), value, noise * noise,
                          polynomial_factors(u, v)});
      }
    }
  }
  NetworkOptions options;
  options.terms = 6;
  options.expected_size = {INFINITY, 20.0, 20.0, 4.0, 4.0, 4.0};
  const auto fit = adjust_network(sights, panels, (panels * step + columns) * rows, options);
  for (std::uint32_t i = 1; i < panels; ++i) {
    // Along the middle of each overlap both sides give one sky within the noise of its cells (48
    // of them, six terms: 0.05 sqrt(12/48), three times that allowed).
    for (int j = 0; j < rows; ++j) {
      const double v = 2.0 * (j + 0.5) / rows - 1.0;
      const double left = 2.0 * 14.0 / columns - 1.0, right = 2.0 * 2.0 / columns - 1.0;
      const auto corrected = [&](std::uint32_t sub, double u) {
        const auto& s = sky[sub];
        return s[0] + s[1] * u + s[2] * v + s[3] * u * u + s[4] * u * v + s[5] * v * v +
               fit.at(sub, polynomial_factors(u, v));
      };
      CHECK(std::fabs(corrected(i, right) - corrected(i - 1, left)) < 0.075);
    }
    CHECK(fit.linked[i]);
  }
  CHECK(fit.excess < noise);
}

TEST_CASE("numbers out of range are refused", "[network]") {
  const std::vector<Sight> sights{{0, 7, 1, 1}};
  CHECK_THROWS_AS(adjust_network(sights, 1, 7, {}), Error);
  CHECK_THROWS_AS(adjust_network(sights, 0, 8, {}), Error);
}
