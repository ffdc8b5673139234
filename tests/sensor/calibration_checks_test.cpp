#include "coldframe/sensor/calibration_checks.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;

TEST_CASE("hot pixels tell by how much the dark misses", "[checks]") {
  // A light of noise 12 ADU over a dark whose hot pixels are known; the truth is `share`.
  for (const auto cfa : {CfaPattern::none, CfaPattern::rggb}) {
    for (const double share : {0.0, 0.25, -0.2}) {
      const Size size{400, 300};
      Grid<float> dark(size), light(size);
      RandomStream random(61, 1, 0);
      for (int y = 0; y < size.height; ++y) {
        for (int x = 0; x < size.width; ++x) {
          const double hot =
              random.uniform() < 0.004 ? 40.0 - 200.0 * std::log(random.uniform()) : 0.0;
          dark(x, y) = static_cast<float>(500.0 + hot + 0.7 * random.normal());
          light(x, y) = static_cast<float>(500.0 + hot * (1.0 + share) + 300.0 + 0.1 * x +
                                           12.0 * random.normal());
        }
      }
      HotPixelPairs pairs;
      collect_hot_pixels(light.view(), dark.view(), cfa, 30.0, 60000.0, pairs);
      const auto fit = hot_pixel_residue(pairs);
      CHECK(fit.points > 300);
      CHECK(std::fabs(fit.slope - share) < 5.0 * fit.error + 0.003);
      CHECK(fit.error < 0.02);
      CHECK(fit.significant(0.05) == (share != 0.0));
    }
  }
  CHECK(hot_pixel_residue({}).points == 0);
}

TEST_CASE("a pattern's share is found beside a gradient and objects", "[checks]") {
  for (const double share : {0.0, 0.3}) {
    std::vector<ShapePoint> points;
    RandomStream random(62, 1, 0);
    for (int j = 0; j < 16; ++j) {
      for (int i = 0; i < 24; ++i) {
        ShapePoint p;
        p.x = i / 11.5 - 1.0;
        p.y = j / 7.5 - 1.0;
        p.pattern = 1.0 - 0.15 * (p.x * p.x + p.y * p.y);
        p.value = 20.0 * p.x - 9.0 * p.y + 100.0 * share * p.pattern + 0.5 * random.normal();
        if (std::hypot(p.x, p.y) < 0.2) p.value += 60.0;  // a galaxy
        points.push_back(p);
      }
    }
    const auto fit = fit_shape(points, true);
    INFO(fit.slope << " +- " << fit.error);
    CHECK(std::fabs(fit.slope - 100.0 * share) < 4.0 * fit.error);
    CHECK(fit.error < 1.0);
    CHECK(fit.significant(10.0) == (share != 0.0));
  }
}
