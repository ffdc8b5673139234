// Added against multiplied light: slopes made here by the definition, told apart or not.
#include "coldframe/session/slope_origin.hpp"

#include <cmath>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

struct Truth {
  Point multiplied, sky, leak;  ///< leak: of a sky of level 2 per second
};

std::vector<SubRecord> subs_of(const Truth& truth, bool flip, bool brightens, std::uint64_t seed) {
  RandomStream noise(seed, 1, 0);
  std::vector<SubRecord> rows;
  for (int i = 0; i < 16; ++i) {
    SubRecord row;
    row.kept = true;
    const double turn = flip && i % 4 < 2 ? 3.14159265358979 : 0.01 * (i % 3);
    const double c = std::cos(turn), s = std::sin(turn);
    row.transform = Transform::affine(c, -s, 3.0 * i, s, c, -2.0 * i);
    row.sky_per_s = brightens ? 1.2 + 0.15 * i : 2.0;
    // On the sensor: what stays with it, and the sky as it sees it; then along the reference's
    // axes.
    const double share = 2.0 / *row.sky_per_s;
    const double x = truth.multiplied.x + share * truth.leak.x + c * truth.sky.x + s * truth.sky.y;
    const double y = truth.multiplied.y + share * truth.leak.y - s * truth.sky.x + c * truth.sky.y;
    row.gradient_x = c * x - s * y + 0.002 * noise.normal();
    row.gradient_y = s * x + c * y + 0.002 * noise.normal();
    rows.push_back(row);
  }
  return rows;
}

bool near(Point a, Point b, double error) {
  return std::hypot(a.x - b.x, a.y - b.y) < 4.0 * std::sqrt(2.0) * error;
}

}  // namespace

TEST_CASE("after a flip the flat's error is told from the sky's glow", "[slope]") {
  const Truth truth{{0.04, -0.02}, {-0.10, 0.15}, {0.0, 0.0}};
  int covered = 0;
  for (std::uint64_t seed = 1; seed <= 40; ++seed) {
    const auto origin = slope_origin(subs_of(truth, true, false, seed), 0);
    REQUIRE(origin.told);
    CHECK_FALSE(origin.level_told);
    CHECK(origin.subs == 16);
    CHECK(origin.multiplied_error < 0.001);  // 0.002 / sqrt(16), a little more for the two terms
    CHECK(near(origin.multiplied, truth.multiplied, origin.multiplied_error));
    CHECK(near(origin.sky, truth.sky, origin.sky_error));
    covered +=
        std::fabs(origin.multiplied.x - truth.multiplied.x) < origin.multiplied_error ? 1 : 0;
  }
  // One standard error covers 68 %: 27 of 40 +- 3, three of those.
  CHECK(covered >= 18);
  CHECK(covered <= 36);
}

TEST_CASE("a sky that brightens tells a leak from the flat", "[slope]") {
  const Truth truth{{0.03, 0.01}, {0.12, -0.05}, {-0.06, 0.04}};
  const auto origin = slope_origin(subs_of(truth, true, true, 3), 0);
  REQUIRE(origin.told);
  REQUIRE(origin.level_told);
  CHECK(near(origin.multiplied, truth.multiplied, origin.multiplied_error));
  // At the middle of these levels, 2.4 per second.
  CHECK(near(origin.leak, {truth.leak.x * 2.0 / 2.4, truth.leak.y * 2.0 / 2.4}, origin.leak_error));
}

TEST_CASE("without a turn, or with few subs, nothing is told", "[slope]") {
  const Truth truth{{0.04, -0.02}, {-0.10, 0.15}, {0.0, 0.0}};
  CHECK_FALSE(slope_origin(subs_of(truth, false, true, 1), 0).told);
  auto few = subs_of(truth, true, false, 1);
  few.resize(6);
  CHECK_FALSE(slope_origin(few, 0).told);
  CHECK_FALSE(slope_origin(subs_of(truth, true, false, 1), 1).told);  // another result's rows
}
