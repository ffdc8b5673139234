#include "coldframe/sensor/dark_scaling.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::sensor;

TEST_CASE("ratios of dark rates give the doubling temperature and its error", "[ladders]") {
  // rate = 2^((T - T0)/6.3); ratios known to 1%.
  std::vector<RelativeRate> rates;
  const double off[] = {0.006, -0.008, 0.004, 0.0};
  const double temperature[] = {-15.0, -10.0, -5.0, 0.0};
  for (int k = 0; k < 4; ++k) {
    const double ratio = std::exp2(temperature[k] / 6.3);
    rates.push_back({temperature[k], ratio * (1.0 + off[k]), 0.01 * ratio});
  }
  const auto doubling = doubling_of_ratios(rates);
  REQUIRE(doubling);
  CHECK(std::fabs(doubling->kelvin - 6.3) < 0.05);
  CHECK(doubling->temperatures == 4);
  // Two thermometers that err by 0.2 C each over 15 C: 1.9%, 0.12 C.
  CHECK(doubling->error_kelvin > 0.12);
  CHECK(doubling->error_kelvin < 0.16);
  // Too close together, too few, not growing.
  CHECK_FALSE(doubling_of_ratios(std::vector<RelativeRate>{{-10.0, 0.8, 0.01}, {-8.0, 1.0, 0.01}}));
  CHECK_FALSE(doubling_of_ratios(std::vector<RelativeRate>{{-10.0, 0.8, 0.01}}));
  CHECK_FALSE(doubling_of_ratios(std::vector<RelativeRate>{{-10.0, 1.2, 0.01}, {0.0, 1.0, 0.01}}));
}

namespace {

/// Cells of a frame of 640 x 512 with `level(x, y)` and noise of 0.05 a cell.
template <typename Level>
CellMap cells(std::uint64_t seed, const Level& level) {
  auto map = empty_cells({640, 512}, 64);
  RandomStream random(seed, 1, 0);
  for (int j = 0; j < map.rows; ++j) {
    for (int i = 0; i < map.columns; ++i) {
      map.values[static_cast<std::size_t>(j * map.columns + i)] =
          level(i, j) + 0.05 * random.normal();
    }
  }
  return map;
}

double glow(int i, int j) { return 20.0 * std::exp(-0.3 * std::hypot(9.0 - i, j)); }

}  // namespace

TEST_CASE("glow that does not scale is seen, dark current that does is not", "[ladders]") {
  const auto scaled = cells(1, [](int i, int j) { return 8.0 + glow(i, j); });
  // The same glow within 15%, whatever the level.
  CHECK_FALSE(smooth_residue(scaled, cells(2, [](int i, int j) { return 3.0 + 1.1 * glow(i, j); }),
                             false, 0.5)
                  .shows);
  // 60% more of it.
  const auto more = smooth_residue(
      scaled, cells(3, [](int i, int j) { return 8.0 + 1.6 * glow(i, j); }), false, 0.5);
  CHECK(more.shows);
  CHECK(more.left_adu > 0.4 * more.pattern_adu);
  CHECK(more.left_adu < 0.8 * more.pattern_adu);
  // None at all, in lights of a sloping sky; and too weak to matter.
  const auto sky = [](int i, int j) { return 100.0 + 2.0 * i - 1.0 * j; };
  CHECK(smooth_residue(scaled, cells(4, sky), true, 0.5).left_adu < -5.0);
  CHECK(smooth_residue(scaled, cells(4, sky), true, 0.5).shows);
  CHECK_FALSE(smooth_residue(scaled, cells(4, sky), true, 50.0).shows);
  // A dark without a shape says nothing.
  CHECK_FALSE(
      smooth_residue(cells(5, [](int, int) { return 8.0; }), cells(6, sky), true, 0.5).shows);
}

TEST_CASE("cells hold medians, of one colour when asked", "[ladders]") {
  Grid<float> band(Size{130, 64});
  for (int y = 0; y < 64; ++y) {
    for (int x = 0; x < 130; ++x) {
      band(x, y) = x % 2 == 0 && y % 2 == 0 ? 7.0F + static_cast<float>(x / 64) : 100.0F;
    }
  }
  band(0, 0) = 1e6F;
  auto map = empty_cells({130, 128}, 64);
  CHECK(map.columns == 3);
  CHECK(map.rows == 2);
  fill_cells(band.cview(), 64, 64, true, map);
  CHECK(std::isnan(map.values[0]));
  CHECK(map.values[3] == 7.0);
  CHECK(map.values[4] == 8.0);
  CHECK(map.values[5] == 9.0);
}
