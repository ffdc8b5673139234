// From few stars to tens of thousands, from undersampled to badly blurred: how many are found, how
// many are false, how wide they are read.
#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/stars/measure.hpp"
#include "coldframe/stars/profile_fit.hpp"
#include "stars/neighbour_grid.hpp"
#include "stars/star_scene.hpp"

using namespace coldframe;
using namespace coldframe::stars;
using star_scene::Profile;
using star_scene::TrueStar;

namespace {

constexpr double sky = 400.0;
constexpr double read_noise = 4.0;

/// Light of a star that an ideal filter sees at this signal-to-noise on empty sky: sum of squares
/// of the pixel-integrated profile against the sky's variance and the star's own photons.
double flux_of(double snr, const Profile& profile) {
  const int side = 2 * static_cast<int>(std::ceil(6.0 * profile.fwhm)) + 3;
  Grid<float> stamp(side, side, 0.0F);
  star_scene::add_star(stamp, {0.5 * side + 0.2, 0.5 * side + 0.3, 1.0}, profile, 8.0);
  const auto reached = [&](double flux) {
    double sum = 0.0;
    for (int y = 0; y < side; ++y) {
      for (const float v : stamp.row(y)) {
        const double light = flux * static_cast<double>(v);
        sum += light * light / (sky + read_noise * read_noise + light);
      }
    }
    return std::sqrt(sum);
  };
  double flux = 10.0;
  while (reached(flux) < snr) flux *= 1.02;
  return flux;
}

/// One profile drawn at fractions of a pixel, added quickly many times.
class Stamps {
 public:
  Stamps(const Profile& profile, double widths)
      : phases_(profile.fwhm > 5.0 ? 2 : 8),
        half_(static_cast<int>(std::ceil(widths * profile.fwhm)) + 1) {
    const int side = 2 * half_ + 1;
    for (int k = 0; k < phases_ * phases_; ++k) {
      Grid<float> stamp(side, side, 0.0F);
      const double dx = (k % phases_) / static_cast<double>(phases_);
      const double dy = (k / phases_) / static_cast<double>(phases_);
      star_scene::add_star(stamp, {half_ + dx, half_ + dy, 1.0}, profile, widths);
      stamps_.push_back(std::move(stamp));
    }
  }
  /// Moves the star to the fraction below.
  void add(Grid<float>& image, TrueStar& star) const {
    const auto ix = static_cast<int>(std::floor(star.x));
    const auto iy = static_cast<int>(std::floor(star.y));
    const int px = std::min(static_cast<int>((star.x - ix) * phases_), phases_ - 1);
    const int py = std::min(static_cast<int>((star.y - iy) * phases_), phases_ - 1);
    star.x = ix + px / static_cast<double>(phases_);
    star.y = iy + py / static_cast<double>(phases_);
    const Grid<float>& stamp = stamps_[static_cast<std::size_t>(py * phases_ + px)];
    for (int v = -half_; v <= half_; ++v) {
      for (int u = -half_; u <= half_; ++u) {
        const int x = ix + u;
        const int y = iy + v;
        if (x < 0 || y < 0 || x >= image.width() || y >= image.height()) continue;
        image(x, y) += static_cast<float>(star.flux) * stamp(half_ + u, half_ + v);
      }
    }
  }

 private:
  int phases_;
  int half_;
  std::vector<Grid<float>> stamps_;
};

struct Outcome {
  double complete = 0.0;  ///< share of the true stars
  double false_share = 0.0;
  double width_bias = 0.0;
  double seconds = 0.0;
  int listed = 0;
  FrameQuality quality;
};

Outcome look(const Profile& profile, int side, std::vector<TrueStar> truth, double wings) {
  Grid<float> image(side, side, static_cast<float>(sky));
  const Mask mask(side, side);
  const Stamps stamps(profile, wings);
  for (TrueStar& star : truth) stamps.add(image, star);
  star_scene::add_noise(image, read_noise, 31);
  MeasureOptions options;
  options.max_stars = 100000;
  const auto begin = std::chrono::steady_clock::now();
  const FrameMeasurement m = measure_frame(image.cview(), mask.cview(), options, Threads{2});
  Outcome outcome;
  outcome.seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  outcome.quality = m.quality;
  outcome.listed = static_cast<int>(m.stars.size());
  std::vector<Point> places;
  for (const Star& s : m.stars) places.push_back({s.x, s.y});
  const NeighbourGrid grid(places, {side, side}, 8.0);
  std::vector<char> taken(places.size(), 0);
  std::sort(truth.begin(), truth.end(),
            [](const TrueStar& a, const TrueStar& b) { return a.flux > b.flux; });
  int found = 0;
  for (const TrueStar& t : truth) {
    double nearest = 1e9;
    std::size_t which = places.size();
    grid.near({t.x, t.y}, std::max(1.0, 0.4 * profile.fwhm), [&](std::size_t j, double d2) {
      if (taken[j] == 0 && d2 < nearest) {
        nearest = d2;
        which = j;
      }
    });
    if (which == places.size()) continue;
    taken[which] = 1;
    ++found;
  }
  const auto listed = static_cast<double>(places.size());
  outcome.complete = truth.empty() ? 1.0 : found / static_cast<double>(truth.size());
  outcome.false_share = listed > 0.0 ? (listed - found) / listed : 0.0;
  outcome.width_bias = m.quality.fwhm_px / recorded_fwhm(profile.fwhm, profile.beta) - 1.0;
  return outcome;
}

void tell(const char* what, double fwhm, std::size_t count, const Outcome& o) {
  std::printf("%s, FWHM %.1f px, %zu stars: complete %.3f, false %.3f, width %+.3f, %.2f s\n", what,
              fwhm, count, o.complete, o.false_share, o.width_bias, o.seconds);
}

}  // namespace

TEST_CASE("ten stars, one bright star, an empty field at every width") {
  for (const double fwhm : {1.2, 2.0, 3.0, 6.0, 10.0, 15.0}) {
    const Profile profile{fwhm, 3.5, 0, 0};
    const int side = std::max(400, static_cast<int>(50 * fwhm));
    CAPTURE(fwhm);
    const double flux = flux_of(60.0, profile);
    const auto few = star_scene::lattice_stars(side, side, side / 3.2, flux, 4.0 * flux, 3);
    const Outcome ten = look(profile, side, few, 8.0);
    CAPTURE(few.size(), ten.listed, ten.width_bias);
    CHECK(ten.complete >= 0.99);
    CHECK(ten.listed - ten.complete * static_cast<double>(few.size()) <= 1.0);
    CHECK(std::abs(ten.width_bias) < 0.02);
    const Outcome one = look(profile, side, {{0.47 * side, 0.55 * side, 100.0 * flux}}, 10.0);
    CAPTURE(one.listed);
    CHECK(one.complete == 1.0);
    CHECK(one.listed <= 3);
    const Outcome none = look(profile, side, {}, 1.0);
    CHECK(none.listed <= 3);  // 5 sigma of some 1e5 independent places: far less than one expected
  }
}

TEST_CASE("dense fields at 4.5 and 15 px: one nearest neighbour within 3 FWHM on average") {
  for (const double fwhm : {4.5, 15.0}) {
    const Profile profile{fwhm, 3.0, 0, 0};
    const int side = fwhm > 10.0 ? 1400 : 700;
    const double distance = 3.0 * recorded_fwhm(fwhm, 3.0);
    const auto count = static_cast<int>(side * side / (4.0 * distance * distance));
    const double flux = flux_of(20.0, profile);
    const auto truth =
        star_scene::random_stars(count, side, side, 1.5 * fwhm, flux, flux * 1.0001, 61);
    const Outcome o = look(profile, side, truth, 8.0);
    CAPTURE(fwhm, count, o.listed, o.complete, o.false_share, o.width_bias);
    CHECK(o.complete >= 0.85);
    CHECK(o.false_share <= 0.05);
  }
}

TEST_CASE("from ten stars to fifty thousand, from 1.2 to 15 px", "[.soak]") {
  for (const double fwhm : {1.2, 2.0, 3.0, 4.5, 8.0, 15.0}) {
    const Profile profile{fwhm, 3.2, 0, 0};
    for (const int count : {10, 300, 3000, 20000, 50000}) {
      const double width = recorded_fwhm(fwhm, profile.beta);
      const double room = 9.0 * width * width * count;  // one per (3 FWHM)^2
      const int side = std::max(800, static_cast<int>(std::sqrt(room)));
      if (side > 5000) continue;
      const auto truth = star_scene::random_stars(
          count, side, side, 1.5 * fwhm, flux_of(12.0, profile), flux_of(400.0, profile), 5);
      const Outcome o = look(profile, side, truth, 6.0);
      tell("field", fwhm, truth.size(), o);
      CAPTURE(fwhm, count, o.complete, o.false_share, o.width_bias);
      // Three hundred stars of 15 px on 800 px: every one has brighter ones within its width.
      CHECK(o.complete >= 0.8);
      CHECK((o.listed - o.complete * count <= 2.0 || o.false_share <= (fwhm > 10.0 ? 0.12 : 0.02)));
      CHECK(std::abs(o.width_bias) < 0.03);
    }
  }
}
