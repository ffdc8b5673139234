#include <cmath>

#include "catch.hpp"
#include "coldframe/align/shift_match.hpp"
#include "coldframe/core/random.hpp"

namespace coldframe::align {
namespace {

// `common` stars shifted (or turned) with 0.5 px errors, the rest by chance; a cluster in the
// middle.
struct Pair {
  StarList sub, reference;
};

Pair poor_lists(unsigned seed, int common, int chance, bool turned, double shift_x,
                double shift_y) {
  RandomStream random(seed, 11, 0);
  Pair pair;
  const auto add = [](StarList& list, double x, double y) {
    Star star;
    star.x = x;
    star.y = y;
    list.push_back(star);
  };
  const auto place = [&](double& x, double& y) {
    const bool cluster = random.uniform() < 0.5;
    x = cluster ? 700 + 90 * random.normal() : 1392 * random.uniform();
    y = cluster ? 520 + 90 * random.normal() : 1040 * random.uniform();
  };
  for (int i = 0; i < common; ++i) {
    double x = 0.0;
    double y = 0.0;
    place(x, y);
    add(pair.reference, x, y);
    const double sx = turned ? 1391 - (x - shift_x) : x - shift_x;
    const double sy = turned ? 1039 - (y - shift_y) : y - shift_y;
    add(pair.sub, sx + 0.5 * random.normal(), sy + 0.5 * random.normal());
  }
  for (int i = 0; i < chance; ++i) {
    double x = 0.0;
    double y = 0.0;
    place(x, y);
    add(pair.sub, x, y);
    place(x, y);
    add(pair.reference, x, y);
  }
  return pair;
}

constexpr Point middle{695.5, 519.5};

TEST_CASE("A shift is found among poor lists, with and without a half turn") {
  int matched = 0;
  for (unsigned seed = 0; seed < 40; ++seed) {
    const bool turned = seed % 2 == 1;
    const auto pair = poor_lists(seed, 14, 30, turned, -11.5, 1.25);
    const auto result = match_by_shift(pair.sub, pair.reference, middle);
    if (result.status != MatchStatus::matched) continue;
    ++matched;
    const Point p = result.transform.apply({pair.sub[0].x, pair.sub[0].y});
    CHECK(std::hypot(p.x - pair.reference[0].x, p.y - pair.reference[0].y) < 3.0);
    CHECK(result.transform.matrix[0] == (turned ? -1.0 : 1.0));
    CHECK(result.pairs.size() >= 9);
  }
  CHECK(matched >= 38);
}

TEST_CASE("Lists without common stars are never matched by shift") {
  for (unsigned seed = 100; seed < 400; ++seed) {
    const auto pair = poor_lists(seed, 0, 45, false, 0.0, 0.0);
    CHECK(match_by_shift(pair.sub, pair.reference, middle).status != MatchStatus::matched);
  }
}

}  // namespace
}  // namespace coldframe::align
