#include "coldframe/sensor/dust_motion.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::sensor;

namespace {

struct Ring {
  double x, y, radius, depth;
};

// Response of vignetting and of rings of dust, all moved by the same step.
double response(const std::vector<Ring>& rings, double x, double y, double dx, double dy) {
  double value = 1.0 - 0.25 * ((x - 250) * (x - 250) + (y - 180) * (y - 180)) / (250.0 * 250.0);
  for (const auto& ring : rings) {
    const double r = std::hypot(x - ring.x - dx, y - ring.y - dy) / ring.radius;
    if (r < 1.0 && r > 0.35) value *= 1.0 - ring.depth;
  }
  return value;
}

struct Case {
  double dx = 0.0, dy = 0.0;  // of the dust between flat and lights
  std::size_t moving = 8;     // so many rings move, the others stay
  double haze = 0.0;          // flat-correction fault, share
  bool stars = false;         // that stay (no dithers)
};

DustMotion look(const Case& how) {
  RandomStream random(71, 1, 0);
  std::vector<Ring> rings;
  for (int k = 0; k < 8; ++k) {
    rings.push_back({60.0 + 110.0 * (k % 4) + 20.0 * random.uniform(),
                     90.0 + 170.0 * (k / 4) + 20.0 * random.uniform(), 6.0 + 6.0 * random.uniform(),
                     0.03 + 0.04 * random.uniform()});
  }
  const std::vector<Ring> moving(rings.begin(),
                                 rings.begin() + static_cast<std::ptrdiff_t>(how.moving));
  const std::vector<Ring> staying(rings.begin() + static_cast<std::ptrdiff_t>(how.moving),
                                  rings.end());
  std::vector<Ring> stars;
  for (int k = 0; k < 150; ++k) {
    stars.push_back(
        {500 * random.uniform(), 360 * random.uniform(), 1.4, 0.02 / (random.uniform() + 0.003)});
  }
  Grid<float> flat(500, 360), sky(500, 360);
  for (int y = 0; y < 360; ++y) {
    for (int x = 0; x < 500; ++x) {
      const double seen = response(rings, x, y, 0, 0);
      const double own =
          seen / response(moving, x, y, 0, 0) * response(moving, x, y, how.dx, how.dy);
      double light = own / seen * (1.0 + 1e-4 * x) + how.haze * (seen - 0.9);
      for (const auto& star : stars) {
        const double r2 = (x - star.x) * (x - star.x) + (y - star.y) * (y - star.y);
        if (how.stars && r2 < 80.0) light += star.depth * std::exp(-r2 / 4.0);
      }
      flat(x, y) = static_cast<float>(seen * (1.0 + 0.001 * random.normal()));
      sky(x, y) = static_cast<float>(light - 1.0 + 0.008 * random.normal());
    }
  }
  return compare_dust(flat.cview(), sky.cview());
}

}  // namespace

TEST_CASE("dust that moved since the flats is told with its step", "[checks][dust]") {
  for (const bool stars : {false, true}) {
    const auto found = look({14.0, -9.0, 8, 0.0, stars});
    INFO(found.spots << " spots, " << found.moved << " moved, left " << found.left);
    CHECK(found.significant());
    CHECK(found.spots >= 7);
    CHECK(found.moved >= 6);
    CHECK(std::fabs(found.left - 1.0) < 0.15);
    CHECK((found.depth > 0.03 && found.depth < 0.08));
    REQUIRE(found.by);
    CHECK(std::hypot(found.by->x - 14.0, found.by->y + 9.0) < 1.5);
  }
}

TEST_CASE("some of the dust gone is told, without a step", "[checks][dust]") {
  const auto found = look({2000.0, 0.0, 3, 0.0, false});
  CHECK(found.significant());
  CHECK(found.moved == 3);
  CHECK(!found.by);
}

TEST_CASE("dust in its place is no warning, whatever else is wrong", "[checks][dust]") {
  for (const bool stars : {false, true}) {
    for (const double haze : {0.0, -0.2, 0.2}) {
      const auto found = look({0.0, 0.0, 8, haze, stars});
      INFO(found.spots << " spots, " << found.moved << " moved, haze " << haze);
      CHECK(found.spots >= 6);
      CHECK(found.moved == 0);
      CHECK(!found.significant());
    }
  }
  Grid<float> even(200, 150), sky(200, 150);
  for (int y = 0; y < 150; ++y) {
    for (int x = 0; x < 200; ++x) even(x, y) = 1.0F;
  }
  CHECK(compare_dust(even.cview(), sky.cview()).spots == 0);
}
