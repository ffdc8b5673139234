// Smoothing and sharpening against made scenes: noise goes, light and stars stay.
#include <cmath>
#include <numbers>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/view/enhance.hpp"

namespace coldframe::view {
namespace {

constexpr int side = 256;

Grid<float> noise_field(double sigma, std::uint64_t seed) {
  Grid<float> plane(side, side);
  for (int y = 0; y < side; ++y) {
    RandomStream random(seed, 1, static_cast<std::uint64_t>(y));
    for (float& v : plane.row(y)) v = static_cast<float>(100.0 + sigma * random.normal());
  }
  return plane;
}

/// Adds a Gaussian of this width and peak, sampled finely enough to count as integrated.
void add_star(Grid<float>& plane, double x0, double y0, double fwhm, double peak) {
  const double sigma = fwhm / (2.0 * std::sqrt(2.0 * std::numbers::ln2));
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x) {
      const double r2 = (x - x0) * (x - x0) + (y - y0) * (y - y0);
      plane(x, y) += static_cast<float>(peak * std::exp(-0.5 * r2 / (sigma * sigma)));
    }
  }
}

double spread_in(const Grid<float>& plane, int x0, int x1) {
  std::vector<double> values;
  for (int y = 8; y < side - 8; ++y) {
    for (int x = x0; x < x1; ++x) values.push_back(static_cast<double>(plane(x, y)));
  }
  return robust_sigma(values);
}

double light_around(const Grid<float>& plane, int x0, int y0, int r) {
  double sum = 0.0;
  for (int y = y0 - r; y <= y0 + r; ++y) {
    for (int x = x0 - r; x <= x0 + r; ++x) sum += static_cast<double>(plane(x, y)) - 100.0;
  }
  return sum;
}

/// Full width at half of the peak along a row through a star, between pixels.
double width_of(const Grid<float>& plane, int x0, int y0) {
  const double half = 0.5 * (static_cast<double>(plane(x0, y0)) - 100.0);
  double width = 0.0;
  for (const int way : {-1, 1}) {
    int x = x0;
    while (static_cast<double>(plane(x + way, y0)) - 100.0 > half) x += way;
    const double in = static_cast<double>(plane(x, y0)) - 100.0;
    const double out = static_cast<double>(plane(x + way, y0)) - 100.0;
    width += std::abs(x - x0) + (in - half) / (in - out);
  }
  return width;
}

}  // namespace

TEST_CASE("smoothing takes the noise and leaves star and halo", "[enhance]") {
  Grid<float> plane = noise_field(5.0, 11);
  add_star(plane, 190.0, 128.0, 4.0, 2000.0);
  add_star(plane, 70.0, 128.0, 60.0, 20.0);  // four sigma of a pixel, wide: a faint galaxy
  const double star = light_around(plane, 190, 128, 8), halo = light_around(plane, 70, 128, 30);
  const Grid<float> before = plane.clone();
  smooth_by_noise(plane.view(), {}, 3.0);
  // Far from both, noise falls to what the four scales let through: well below a quarter.
  CHECK(spread_in(plane, 226, 250) < 0.25 * spread_in(before, 226, 250));
  CHECK(light_around(plane, 190, 128, 8) == Approx(star).epsilon(0.01));
  CHECK(light_around(plane, 70, 128, 30) == Approx(halo).epsilon(0.01));
  CHECK(static_cast<double>(plane(190, 128)) == Approx(2100.0).epsilon(0.01));
}

TEST_CASE("smoothing follows a noise that varies over the frame", "[enhance]") {
  Grid<float> plane = noise_field(2.0, 12);
  const Grid<float> more = noise_field(18.0, 13);
  Grid<float> noise(side, side, 2.0F);
  for (int y = 0; y < side; ++y) {
    for (int x = side / 2; x < side; ++x) {
      plane(x, y) = more(x, y);
      noise(x, y) = 18.0F;
    }
  }
  // A ripple that stands above the noise of the quiet side only.
  add_star(plane, 64.0, 128.0, 3.0, 20.0);
  smooth_by_noise(plane.view(), noise.view(), 3.0);
  CHECK(spread_in(plane, 150, 240) < 0.3 * 18.0);
  CHECK(static_cast<double>(plane(64, 128)) > 112.0);
}

TEST_CASE("smoothing by nothing, and holes, change nothing", "[enhance]") {
  Grid<float> plane = noise_field(5.0, 14);
  plane(9, 9) = std::numeric_limits<float>::quiet_NaN();
  const Grid<float> before = plane.clone();
  smooth_by_noise(plane.view(), {}, 0.0);
  CHECK(plane(20, 20) == before(20, 20));
  smooth_by_noise(plane.view(), {}, 3.0);
  CHECK(std::isnan(plane(9, 9)));
  CHECK(std::isfinite(plane(10, 9)));
}

TEST_CASE("sharpening narrows stars, keeps their light and leaves the sky's noise", "[enhance]") {
  Grid<float> plane = noise_field(3.0, 15);
  add_star(plane, 128.0, 128.0, 4.0, 3000.0);
  const double light = light_around(plane, 128, 128, 14), width = width_of(plane, 128, 128);
  const double noise = spread_in(plane, 10, 90);
  SharpenOptions options;
  options.fwhm_px = 3.2;
  options.iterations = 10;
  sharpen(plane.view(), options);
  CHECK(width == Approx(4.0).epsilon(0.02));
  CHECK(width_of(plane, 128, 128) < 0.75 * width);
  // The iterations keep all light; damping, the bound below, and a profile with wider wings than
  // the star's move some hundredths of it.
  CHECK(light_around(plane, 128, 128, 14) == Approx(light).epsilon(0.03));
  // No dark rim about the star: nothing there is darker than the sky's own noise makes it.
  double darkest = 1e9;
  for (int y = 118; y < 139; ++y) {
    for (int x = 118; x < 139; ++x) darkest = std::min(darkest, static_cast<double>(plane(x, y)));
  }
  CHECK(darkest > 100.0 - 4.0 * 3.0);
  // Undamped iterations would double the noise of a pixel.
  CHECK(spread_in(plane, 10, 90) < 1.1 * noise);
}

TEST_CASE("undamped iterations are those of Richardson and Lucy", "[enhance]") {
  // On data without noise they approach the truth and never turn negative.
  Grid<float> plane(side, side, 100.0F);
  add_star(plane, 128.0, 128.0, 5.0, 500.0);
  SharpenOptions options;
  options.fwhm_px = 4.0;
  options.beta = 100.0;  // a Moffat profile of so high a beta is a Gaussian
  options.iterations = 200;
  sharpen(plane.view(), options);
  // 5^2 - 4^2 = 3^2.
  CHECK(width_of(plane, 128, 128) == Approx(3.0).epsilon(0.05));
  for (int y = 0; y < side; ++y) {
    for (const float v : plane.row(y)) REQUIRE(v > 99.0F);
  }
  options.fwhm_px = 0.1;
  CHECK_THROWS_AS(sharpen(plane.view(), options), Error);
}

}  // namespace coldframe::view
