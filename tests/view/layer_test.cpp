// Codes of the report's pictures: values come back within the stated step, stars and noise alike;
// thumbnails lie on the result's grid.
#include "coldframe/view/layer.hpp"

#include <cmath>
#include <limits>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

namespace coldframe::view {
namespace {

Image sky_with_star() {
  Image image({200, 120}, 1);
  RandomStream random(9, 1, 0);
  for (int y = 0; y < 120; ++y) {
    for (int x = 0; x < 200; ++x) {
      const double star = 40000.0 * std::exp(-(std::pow(x - 60, 2) + std::pow(y - 30, 2)) / 8.0);
      image.plane(0)(x, y) = static_cast<float>(800.0 + star + 12.0 * random.normal());
    }
  }
  image.plane(0)(5, 7) = std::numeric_limits<float>::quiet_NaN();
  return image;
}

TEST_CASE("light comes back within a tenth of the noise or five per cent", "[layer]") {
  const Image image = sky_with_star();
  const Layer layer = encode_light(image);
  CHECK(layer.planes[0].noise == Approx(12.0).epsilon(0.08));
  CHECK(layer.planes[0].level == Approx(800.0).margin(2.0));
  int wrong = 0;
  for (int y = 0; y < 120; ++y) {
    for (int x = 0; x < 200; ++x) {
      const auto code = layer.picture.pixels[static_cast<std::size_t>((119 - y) * 200 + x)];
      const double value = static_cast<double>(image.plane(0)(x, y));
      if (std::isnan(value)) {
        CHECK(code == 0);
        continue;
      }
      // Half a code of the inverse hyperbolic sine.
      const double above = value - layer.planes[0].level;
      const double step = std::hypot(2.0 * layer.planes[0].noise, above) / layer_steps;
      if (std::fabs(decode(layer, 0, code) - value) > 0.52 * step) ++wrong;
    }
  }
  CHECK(wrong == 0);
}

TEST_CASE("figures come back within half a step", "[layer]") {
  Image image({100, 50}, 1);
  for (int y = 0; y < 50; ++y) {
    for (int x = 0; x < 100; ++x) image.plane(0)(x, y) = static_cast<float>(x + 3 * y);
  }
  const Layer layer = encode_figure(image);
  for (const int x : {10, 50, 90}) {
    const auto code = layer.picture.pixels[static_cast<std::size_t>((49 - 20) * 100 + x)];
    CHECK(decode(layer, 0, code) == Approx(x + 60.0).margin(0.5 * layer.planes[0].noise + 1e-6));
  }
}

TEST_CASE("a thumbnail lies on the result's grid, turned subs too", "[layer]") {
  Grid<float> preview(100, 60);  // of a sub of 400 x 240
  for (int y = 0; y < 60; ++y) {
    for (int x = 0; x < 100; ++x) preview(x, y) = x > 80 && y > 45 ? 30.0F : 0.0F;
  }
  const auto at = [](const Picture& p, int x, int y) {  // y upwards
    return static_cast<int>(p.pixels[static_cast<std::size_t>((p.height - 1 - y) * p.width + x)]);
  };
  const auto same = sub_thumbnail(preview, 4, Transform{}, {400, 240}, 100);
  REQUIRE(same.width == 100);
  REQUIRE(same.height == 60);
  CHECK(at(same, 95, 55) > at(same, 5, 5) + 60);
  const auto half_turn = Transform::affine(-1, 0, 399, 0, -1, 239);
  const auto turned = sub_thumbnail(preview, 4, half_turn, {400, 240}, 100);
  CHECK(at(turned, 5, 5) > at(turned, 95, 55) + 60);
  // Beyond the sub there is nothing.
  const auto moved =
      sub_thumbnail(preview, 4, Transform::affine(1, 0, 200, 0, 1, 0), {400, 240}, 100);
  CHECK(at(moved, 20, 30) == 0);
  CHECK(at(moved, 80, 30) > 0);
}

}  // namespace
}  // namespace coldframe::view
