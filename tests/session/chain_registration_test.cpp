// Panels beside the reference are reached through others.
#include "session/chain_registration.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

constexpr Size frame{800, 600};

// A sky of stars and panels cut from it.
struct Mosaic {
  std::vector<Point> sky;
  std::vector<double> flux;
  std::vector<StarList> lists;
  std::vector<Point> corners;  // of each panel, sky coordinates
  std::vector<align::MatchResult> matches;
  std::vector<ChainSub> subs;

  explicit Mosaic(std::vector<Point> places) : corners(std::move(places)) {
    RandomStream random(31, 7, 0);
    for (int k = 0; k < 3000; ++k) {
      const double x = 4000.0 * random.uniform() - 500.0;
      const double y = 2400.0 * random.uniform() - 500.0;
      sky.push_back({x, y});
      flux.push_back(std::pow(random.uniform() + 1e-3, -1.5));
    }
    for (const auto& corner : corners) lists.push_back(cut(corner, random));
    matches.resize(corners.size());
    for (std::size_t i = 0; i < corners.size(); ++i) {
      subs.push_back({lists[i], frame, &matches[i], true, -1});
      if (i > 0) matches[i] = align::match_stars(lists[i], lists[0], {});
    }
    matches[0].status = align::MatchStatus::matched;
    matches[0].false_probability = 0.0;
  }

  [[nodiscard]] StarList cut(Point corner, RandomStream& random) const {
    StarList list;
    for (std::size_t k = 0; k < sky.size(); ++k) {
      const Point p{sky[k].x - corner.x, sky[k].y - corner.y};
      if (p.x < 0 || p.y < 0 || p.x > frame.width - 1 || p.y > frame.height - 1) continue;
      Star star;
      star.x = p.x + 0.02 * random.normal();
      star.y = p.y + 0.02 * random.normal();
      star.flux = flux[k];
      star.snr = 50.0;
      star.fitted = true;
      star.x_error = star.y_error = 0.02;
      list.push_back(star);
    }
    return list;
  }

  std::size_t chain() {
    return match_through_others(
        subs, {lists[0], frame},
        [&](std::size_t a, std::size_t b) { return align::match_stars(lists[a], lists[b], {}); },
        Threads{2});
  }
};

}  // namespace

TEST_CASE("panels without overlap with the reference are reached step by step", "[chain]") {
  // A row of panels, each half over the one before; one far away that nothing touches.
  Mosaic mosaic({{0, 0}, {400, 10}, {800, -20}, {1200, 5}, {2600, 1200}});
  REQUIRE(mosaic.matches[1].status == align::MatchStatus::matched);
  REQUIRE(mosaic.matches[2].status != align::MatchStatus::matched);
  REQUIRE(mosaic.matches[3].status != align::MatchStatus::matched);
  CHECK(mosaic.chain() == 2);
  for (std::size_t i = 1; i < 4; ++i) {
    REQUIRE(mosaic.matches[i].status == align::MatchStatus::matched);
    const Point got = mosaic.matches[i].transform.apply({400, 300});
    // Each step is known to some thousandths at its middle; the lever is one panel.
    CHECK(got.x == Approx(400 + mosaic.corners[i].x).margin(0.1));
    CHECK(got.y == Approx(300 + mosaic.corners[i].y).margin(0.1));
    CHECK(mosaic.matches[i].false_probability < 1e-6);
  }
  CHECK(mosaic.subs[2].through == 1);
  CHECK(mosaic.subs[3].through == 2);
  CHECK(mosaic.matches[4].status != align::MatchStatus::matched);
  // The fourth panel shares no star with the reference.
  CHECK(mosaic.matches[3].pairs.empty());
}

TEST_CASE("a chain that does not show on the reference is refused", "[chain]") {
  Mosaic mosaic({{0, 0}, {400, 10}, {300, -20}});
  mosaic.matches[2] = {};  // as if the reference had not told it
  // A wrong step: three pixels off, though with pairs enough.
  const auto slipped = [&](std::size_t a, std::size_t b) {
    auto match = align::match_stars(mosaic.lists[a], mosaic.lists[b], {});
    if (a == 2) match.transform = match.transform.then(Transform::affine(1, 0, 3, 0, 1, -2));
    return match;
  };
  CHECK(match_through_others(mosaic.subs, {mosaic.lists[0], frame}, slipped, Threads{1}) == 0);
  CHECK(mosaic.matches[2].status != align::MatchStatus::matched);
  CHECK(mosaic.chain() == 1);
  CHECK(mosaic.matches[2].pairs.size() > 60);
}
