// The faint halo under a gradient, as the project's issue sets it: sky 1,000 e, a halo of 0.3 sigma
// per pixel of a sub, 30 % of the sky across the frame, light summed within the isophote of 0.1
// sigma of a sub's pixel.
#include <cmath>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/sky/gradient.hpp"

using namespace coldframe;

namespace {

constexpr double sky_e = 1000.0, gradient = 0.30;
constexpr int subs = 40;
constexpr Size size{1200, 900};
const double sigma = std::sqrt(sky_e);  ///< of a sub's pixel

struct Case {
  double scale_px = 0.0;    ///< of the exponential halo
  double flat_error = 0.0;  ///< amplitude of what stays of the flat: half a wave over the field
  std::uint64_t seed = 0;
};

double halo_at(const Case& c, double x, double y) {
  return 0.3 * sigma * std::exp(-std::hypot(x - 640.0, (y - 430.0) / 0.75) / c.scale_px);
}

double flat_at(const Case& c, double x, double y) {
  return 1.0 + c.flat_error * std::sin(0.004 * x + 1.0) * std::cos(0.005 * y);
}

double sky_at(double x, double y) {
  return sky_e * (1.0 + gradient * (0.8 * (x / size.width - 0.5) + 0.6 * (y / size.height - 0.5)));
}

Image draw(const Case& c) {
  Image image(size, 1);
  auto plane = image.plane(0);
  RandomStream noise(c.seed, 1, 0);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const double light = (sky_at(x, y) + halo_at(c, x, y)) * flat_at(c, x, y);
      plane(x, y) = static_cast<float>(light + std::sqrt(light / subs) * noise.normal());
    }
  }
  return image;
}

struct Kept {
  double share = 0.0;       ///< halo's light after the model over the light put in
  double chance = 0.0;      ///< of that, from the noise of the pixels summed
  double brightness = 0.0;  ///< mean of the halo there, e
  double worst = 0.0;  ///< model minus sky outside the object, about its mean, of the amplitude
};

Kept measure(const Case& c) {
  const Image image = draw(c);
  const auto model = sky::fit_gradient(image.plane(0), {}, {}, {}, {2});
  REQUIRE(model.status == sky::GradientStatus::fitted);
  Kept kept;
  double put = 0.0, found = 0.0, outside = 0.0;
  int pixels = 0, free = 0;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const double halo = halo_at(c, x, y);
      if (halo >= 0.1 * sigma) {
        put += halo;
        found += static_cast<double>(image.plane(0)(x, y)) - model.at(x, y);
        ++pixels;
      } else if (halo < 0.01 * sigma) {
        outside += model.at(x, y) - sky_at(x, y);
        ++free;
      }
    }
  }
  kept.share = found / put;
  kept.chance = std::sqrt(sky_e / subs * pixels) / put;
  kept.brightness = put / pixels;
  outside /= free;
  for (int y = 0; y < size.height; y += 10) {
    for (int x = 0; x < size.width; x += 10) {
      if (halo_at(c, x, y) >= 0.01 * sigma) continue;
      const double off = std::fabs(model.at(x, y) - sky_at(x, y) - outside);
      kept.worst = std::max(kept.worst, off / (gradient * sky_e));
    }
  }
  return kept;
}

}  // namespace

TEST_CASE("the faint halo's light is kept within 3 % under a gradient of 30 %") {
  for (const double scale_px : {50.0, 110.0}) {
    for (const std::uint64_t seed : {11U, 12U}) {
      const auto kept = measure({scale_px, 0.0, seed});
      CAPTURE(scale_px, seed, kept.share, kept.chance, kept.worst);
      CHECK(std::fabs(kept.share - 1.0) <= 0.03);
      CHECK(kept.worst <= 0.03);
    }
  }
}

TEST_CASE("a flat good to 0.05 % costs the halo no more than its own amplitude") {
  // Half a wave of 0.5 e over the field looks like light of a tenth of the halo's 5 e: nothing in
  // one picture tells them apart. Measured over 12 draws: 1 to 7 % of the halo.
  for (const std::uint64_t seed : {11U, 12U}) {
    const auto kept = measure({70.0, 0.0005, seed});
    const double bound = 0.03 + 0.0005 * sky_e / kept.brightness;
    CAPTURE(seed, kept.share, bound, kept.worst);
    CHECK(std::fabs(kept.share - 1.0) <= bound);
    CHECK(kept.worst <= 0.03);
  }
}
