// Detection at the limit, and gains that are mere assumptions.
#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/stars/measure.hpp"
#include "stars/star_scene.hpp"

using namespace coldframe;
using namespace coldframe::stars;
using star_scene::Profile;

namespace {

FrameMeasurement measure(const Grid<float>& image, const Mask& mask, MeasureOptions options = {},
                         int threads = 1) {
  return measure_frame(image.cview(), mask.cview(), options, Threads{threads});
}

}  // namespace

TEST_CASE("stars at the limit are found nearly as often as by an ideal matched filter") {
  // Truth: correlation with the true pixel-integrated profile at the true phase, over the noise of
  // the true sky (North 1943). Signal-to-noise about 3 to 8.
  for (const Profile profile : {Profile{3.0, 3.5, 0, 0}, Profile{2.5, 0.0, 0, 0}}) {
    constexpr double sky = 400.0;
    Grid<float> image(1100, 1100, static_cast<float>(sky));
    const auto truth = star_scene::lattice_stars(1100, 1100, 40.0, 330.0, 760.0, 9);
    std::vector<Grid<float>> shapes;
    for (const auto& star : truth) {
      star_scene::add_star(image, star, profile, 10.0);
      Grid<float> shape(25, 25);
      const double dx = star.x - std::round(star.x);
      const double dy = star.y - std::round(star.y);
      star_scene::add_star(shape, {12.0 + dx, 12.0 + dy, 1.0}, profile, 10.0);
      shapes.push_back(std::move(shape));
    }
    // A diagonal of bright ones, so that the width is known; their neighbours do not count.
    for (double at = 40.3; at < 1070.0; at += 40.0) {
      star_scene::add_star(image, {at, at, 30000.0}, profile, 10.0);
    }
    star_scene::add_noise(image, 0.0, 31);
    const FrameMeasurement m = measure(image, Mask(1100, 1100));
    int ideal = 0;
    int found = 0;
    for (std::size_t i = 0; i < truth.size(); ++i) {
      const int cx = static_cast<int>(std::lround(truth[i].x));
      const int cy = static_cast<int>(std::lround(truth[i].y));
      if (std::abs(truth[i].x - truth[i].y) < 50.0) continue;
      double sum = 0.0;
      double norm = 0.0;
      for (int y = 0; y < 25; ++y) {
        for (int x = 0; x < 25; ++x) {
          const auto p = static_cast<double>(shapes[i](x, y));
          if (!whole(image.size()).contains(cx + x - 12, cy + y - 12)) continue;
          sum += p * (static_cast<double>(image(cx + x - 12, cy + y - 12)) - sky);
          norm += p * p;
        }
      }
      ideal += sum / std::sqrt(norm * sky) >= 5.0 ? 1 : 0;
      for (const Star& star : m.stars) {
        if (std::hypot(star.x - truth[i].x, star.y - truth[i].y) > 2.5) continue;
        ++found;
        break;
      }
    }
    INFO("beta " << profile.beta << ": found " << found << ", ideal " << ideal);
    CHECK(ideal > 150);
    CHECK(found >= 0.95 * ideal);
  }
}

TEST_CASE("an assumed gain gives way where the sky is too quiet for it") {
  // A picture averaged to a fiftieth of the photons' noise: one electron per unit cannot be true.
  Grid<float> image(600, 600, 5000.0F);
  const auto truth = star_scene::lattice_stars(600, 600, 40.0, 20000.0, 40000.0, 12);
  for (const auto& star : truth) star_scene::add_star(image, star, {1.2, 3.5, 0, 0}, 14.0);
  star_scene::add_noise(image, 0.0, 17);
  for (int y = 0; y < 600; ++y) {
    for (float& v : image.row(y)) v /= 50.0F;
  }
  const Mask mask(600, 600);
  MeasureOptions options;
  const double told_wrong = median([&] {
    std::vector<double> snr;
    for (const Star& s : measure(image, mask, options).stars) snr.push_back(s.snr);
    return snr;
  }());
  options.gain_assumed = true;
  std::vector<double> snr;
  for (const Star& s : measure(image, mask, options).stars) snr.push_back(s.snr);
  CHECK(snr.size() >= truth.size());
  CHECK(static_cast<double>(snr.size()) <= 1.01 * static_cast<double>(truth.size()));
  options.gain_assumed = false;
  options.gain_e_per_unit = 50.0;
  std::vector<double> with_truth;
  for (const Star& s : measure(image, mask, options).stars) with_truth.push_back(s.snr);
  // The sky's level and noise give the gain to a few percent, errors go as its root.
  CHECK(median(snr) == Approx(median(with_truth)).epsilon(0.03));
  CHECK(told_wrong < 0.5 * median(with_truth));
}
