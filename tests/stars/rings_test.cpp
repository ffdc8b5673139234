// Stars far out of focus: annuli with the shadow of a spider, blurred by the seeing, on truth.
#include <cmath>
#include <cstdint>
#include <vector>

#include "catch.hpp"
#include "coldframe/stars/measure.hpp"
#include "star_scene.hpp"

using namespace coldframe;
using namespace coldframe::stars;

namespace {

/// An aperture's shadow: outer diameter, central obstruction of 0.35, four vanes; as sub-pixel
/// points that a seeing of 2.2 px FWHM blurs.
struct Donut {
  double diameter;
  std::vector<double> picture;  // on a grid of 3 points per pixel, sum 1
  int half;                     // of the picture, points
  static constexpr int fine = 3;

  explicit Donut(double d) : diameter(d), half(static_cast<int>(std::ceil(fine * (0.5 * d + 5)))) {
    const int side = 2 * half + 1;
    std::vector<double> aperture(static_cast<std::size_t>(side * side), 0.0);
    for (int y = -half; y <= half; ++y) {
      for (int x = -half; x <= half; ++x) {
        const double r = std::hypot(x, y) / fine;
        const bool vane = std::min(std::abs(x), std::abs(y)) < 0.02 * d * fine;
        const bool open = r < 0.5 * d && r > 0.175 * d && !vane;
        aperture[at(x, y)] = open ? 1.0 : 0.0;
      }
    }
    picture = blur(blur(aperture, true), false);
    double sum = 0.0;
    for (const double v : picture) sum += v;
    for (double& v : picture) v /= sum;
  }
  [[nodiscard]] std::size_t at(int x, int y) const {
    return static_cast<std::size_t>((y + half) * (2 * half + 1) + x + half);
  }
  [[nodiscard]] std::vector<double> blur(const std::vector<double>& from, bool along) const {
    const double sigma = 2.2 / 2.3548 * fine;
    const int reach = static_cast<int>(3.5 * sigma);
    std::vector<double> to(from.size(), 0.0);
    for (int y = -half; y <= half; ++y) {
      for (int x = -half; x <= half; ++x) {
        double sum = 0.0;
        for (int k = -reach; k <= reach; ++k) {
          const int u = along ? x + k : x;
          const int v = along ? y : y + k;
          if (std::abs(u) > half || std::abs(v) > half) continue;
          sum += std::exp(-0.5 * k * k / (sigma * sigma)) * from[at(u, v)];
        }
        to[at(x, y)] = sum;
      }
    }
    return to;
  }
  void add(Grid<float>& image, const star_scene::TrueStar& star) const {
    for (int y = -half; y <= half; ++y) {
      for (int x = -half; x <= half; ++x) {
        const int px = static_cast<int>(std::lround(star.x + static_cast<double>(x) / fine));
        const int py = static_cast<int>(std::lround(star.y + static_cast<double>(y) / fine));
        if (px < 0 || py < 0 || px >= image.width() || py >= image.height()) continue;
        image(px, py) += static_cast<float>(star.flux * picture[at(x, y)]);
      }
    }
  }
};

struct Counts {
  int once = 0, more = 0, never = 0, extra = 0;
};

Counts count(const std::vector<star_scene::TrueStar>& truth, const StarList& found, double reach) {
  Counts counts;
  std::size_t near_any = 0;
  for (const auto& star : truth) {
    int n = 0;
    for (const Star& s : found) n += std::hypot(s.x - star.x, s.y - star.y) < reach ? 1 : 0;
    near_any += static_cast<std::size_t>(n);
    (n == 1 ? counts.once : n > 1 ? counts.more : counts.never) += 1;
  }
  counts.extra = static_cast<int>(found.size()) - static_cast<int>(near_any);
  return counts;
}

}  // namespace

TEST_CASE("a star far out of focus is one source of its own diameter") {
  for (const double diameter : {8.0, 10.0, 12.0, 16.0, 20.0}) {
    const Donut donut(diameter);
    const auto truth = star_scene::lattice_stars(
        600, 500, 5.0 * diameter, 150.0 * diameter * diameter, 3000.0 * diameter * diameter, 7);
    Grid<float> image(600, 500, 300.0F);
    Mask mask(600, 500);
    for (const auto& star : truth) donut.add(image, star);
    star_scene::add_noise(image, 5.0, 11);
    const auto m = measure_frame(image.cview(), mask.cview(), {}, Threads{2});
    const Counts counts = count(truth, m.stars, 0.75 * diameter);
    const auto n = static_cast<double>(truth.size());
    CAPTURE(diameter, truth.size(), m.stars.size(), m.others.size(), counts.once, counts.more,
            counts.never, counts.extra, m.quality.fwhm_px, m.quality.fitted);
    CHECK(counts.once >= 0.98 * n);
    CHECK(counts.extra <= 0.01 * n);
    CHECK(m.quality.fwhm_px == Approx(diameter).epsilon(0.03));
    double flux = 0.0, place = 0.0;
    int measured = 0;
    for (const auto& star : truth) {
      for (const Star& s : m.stars) {
        if (std::hypot(s.x - star.x, s.y - star.y) > 0.75 * diameter) continue;
        flux += s.flux / star.flux - 1.0;
        place += std::hypot(s.x - star.x, s.y - star.y);
        ++measured;
      }
    }
    CHECK(std::abs(flux / measured) < 0.02);
    // The drawing puts its points on whole pixels: up to a sixth of a pixel off per axis.
    CHECK(place / measured < 0.25);
  }
}
