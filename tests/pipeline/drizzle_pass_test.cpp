// The drizzle pass on undersampled stars with known light, particles and threads.
#include "coldframe/pipeline/drizzle_pass.hpp"

#include <cmath>
#include <cstring>
#include <memory>
#include <vector>

#include "catch.hpp"
#include "frames.hpp"

namespace coldframe::pipeline {
namespace {

constexpr Size frame{96, 80};
constexpr double sky = 300.0;
constexpr double noise = 3.0;
constexpr double star_flux = 40000.0;
constexpr double sigma = 0.6;  // FWHM 1.4 px: undersampled
constexpr Point star{47.3, 38.6};

// Light of a Gaussian star in one pixel: products of differences of the error function.
double pixel_light(Point centre, double x, double y) {
  const auto share = [](double d) {
    const double s = sigma * std::sqrt(2.0);
    return 0.5 * (std::erf((d + 0.5) / s) - std::erf((d - 0.5) / s));
  };
  return star_flux * share(x - centre.x) * share(y - centre.y);
}

Grid<float> frame_with_star(Point at, unsigned seed) {
  Grid<float> pixels(frame);
  RandomStream random(seed, 3, 0);
  for (int y = 0; y < frame.height; ++y) {
    for (int x = 0; x < frame.width; ++x) {
      pixels(x, y) = static_cast<float>(sky + noise * random.normal() + pixel_light(at, x, y));
    }
  }
  return pixels;
}

struct Dithered {
  Calibration calibration;
  std::vector<std::shared_ptr<test::MemorySource>> sources;
  std::vector<std::vector<ChannelSky>> skies;
  std::vector<CombineSub> subs;
  std::unique_ptr<test::MemorySource> ordinary;

  explicit Dithered(std::size_t count) {
    calibration.unit = PixelUnit::electron;
    calibration.gain_e_per_adu = 1.0;
    skies.resize(count);
    for (auto& sky_of_sub : skies) {
      sky_of_sub.push_back(
          {test::flat_mesh(frame, static_cast<float>(sky), static_cast<float>(noise)), 1, 0, 0});
    }
    RandomStream random(11, 5, 0);
    for (std::size_t i = 0; i < count; ++i) {
      const Point shift{4.0 * random.uniform() - 2.0, 4.0 * random.uniform() - 2.0};
      auto pixels =
          frame_with_star({star.x - shift.x, star.y - shift.y}, static_cast<unsigned>(i + 1));
      if (i == 2) pixels(20, 30) += 4000.0F;  // a particle
      if (i == 4) pixels(70, 60) -= 250.0F;
      sources.push_back(std::make_shared<test::MemorySource>(std::move(pixels)));
      CombineSub sub;
      sub.open = [source = sources.back()] { return source; };
      sub.calibration = &calibration;
      sub.transform = Transform::affine(1, 0, shift.x, 0, 1, shift.y);
      sub.weights = {1.0};
      sub.exposure_s = 60.0;
      sub.sky = &skies[i];
      subs.push_back(std::move(sub));
    }
    Grid<float> expected(frame);
    for (int y = 0; y < frame.height; ++y) {
      for (int x = 0; x < frame.width; ++x)
        expected(x, y) = static_cast<float>(sky + pixel_light(star, x, y));
    }
    ordinary = std::make_unique<test::MemorySource>(std::move(expected));
  }
};

struct Drizzled {
  Grid<float> mean, uncertainty;
  Grid<std::uint16_t> low, high;
  DrizzleTotals totals;
};

Drizzled drizzle(const Dithered& session, int threads) {
  DrizzleSettings settings;
  settings.canvas = {2 * frame.width, 2 * frame.height};
  settings.ordinary_to_output = align::canvas_grid(2.0);
  settings.drizzle.drop_size = 0.7;
  settings.ordinary = session.ordinary.get();
  Drizzled out{Grid<float>(settings.canvas),
               Grid<float>(settings.canvas),
               Grid<std::uint16_t>(settings.canvas),
               Grid<std::uint16_t>(settings.canvas),
               {}};
  out.totals =
      drizzle_subs(session.subs, settings, Threads{threads}, Watch{}, [&](const ResultStrip& s) {
        for (int y = 0; y < s.mean.height(); ++y) {
          for (int x = 0; x < s.mean.width(); ++x) {
            out.mean(x, s.y0 + y) = s.mean(x, y);
            out.uncertainty(x, s.y0 + y) = s.uncertainty(x, y);
            out.low(x, s.y0 + y) = s.clipped_low(x, y);
            out.high(x, s.y0 + y) = s.clipped_high(x, y);
          }
        }
      });
  return out;
}

TEST_CASE("drizzle keeps a star's light and leaves out particles", "[drizzle]") {
  const Dithered session(24);
  const auto out = drizzle(session, 1);
  double light = 0.0;
  const Point centre{2.0 * (star.x + 0.5) - 0.5, 2.0 * (star.y + 0.5) - 0.5};
  std::size_t pixels = 0;
  for (int y = 0; y < out.mean.height(); ++y) {
    for (int x = 0; x < out.mean.width(); ++x) {
      if (std::hypot(x - centre.x, y - centre.y) > 14.0) continue;
      light += static_cast<double>(out.mean(x, y)) - sky / 4.0;
      ++pixels;
    }
  }
  // 0.2 % of the light, and four standard errors of the sky's noise summed over the aperture:
  // 24 subs, `pixels` / 4 of their own pixels each.
  const double error = noise * std::sqrt(static_cast<double>(pixels) / 4.0 / 24.0);
  CHECK(light == Approx(star_flux).margin(0.002 * star_flux + 4.0 * error));
  std::uint64_t high = 0, low = 0;
  for (int y = 0; y < out.mean.height(); ++y) {
    for (int x = 0; x < out.mean.width(); ++x) {
      high += out.high(x, y);
      low += out.low(x, y);
    }
  }
  // The particle and the dip; one sample in 1.7 million lies beyond 5 sigma on a side (normal
  // distribution), and there are 0.18 million.
  CHECK(high >= 1);
  CHECK(high <= 2);
  CHECK(low >= 1);
  CHECK(low <= 2);
  const auto& shift = session.subs[2].transform.matrix;
  const int x = static_cast<int>(std::lround(2.0 * (20.0 + shift[2] + 0.5) - 0.5));
  const int y = static_cast<int>(std::lround(2.0 * (30.0 + shift[5] + 0.5) - 0.5));
  CHECK(static_cast<double>(out.mean(x, y)) ==
        Approx(sky / 4.0).margin(6.0 * static_cast<double>(out.uncertainty(x, y))));
}

TEST_CASE("drizzle's UNCERT and the published ratio tell the scatter", "[drizzle]") {
  const Dithered session(24);
  const auto out = drizzle(session, 1);
  // Far from star and edges: pixels scatter by UNCERT, blocks by UNCERT times the ratio.
  double squares = 0.0, blocks = 0.0;
  int n = 0, m = 0;
  constexpr int side = 8;
  for (int y = 16; y + side <= 48; y += side) {
    for (int x = 16; x + side <= out.mean.width() - 16; x += side) {
      double sum = 0.0, predicted = 0.0;
      for (int j = 0; j < side; ++j) {
        for (int i = 0; i < side; ++i) {
          const auto u = static_cast<double>(out.uncertainty(x + i, y + j));
          const double d = static_cast<double>(out.mean(x + i, y + j)) - sky / 4.0;
          squares += d * d / (u * u);
          sum += d;
          predicted += u * u;
          ++n;
        }
      }
      blocks += sum * sum / predicted;
      ++m;
    }
  }
  // Pixels within a drop's reach are correlated: about n / 4 independent values; scatter of a
  // standard deviation from k values is 1 / sqrt(2 k).
  const double pixel = std::sqrt(squares / n);
  CHECK(pixel == Approx(1.0).margin(4.0 / std::sqrt(2.0 * n / 4.0)));
  const double block = std::sqrt(blocks / m);
  CHECK(block / align::drizzle_noise_ratio(0.7, 0.5) ==
        Approx(1.0).margin(0.08 + 4.0 / std::sqrt(2.0 * m)));
}

TEST_CASE("drizzle gives the same bits for any number of threads", "[drizzle]") {
  const Dithered session(5);
  const auto one = drizzle(session, 1);
  const auto three = drizzle(session, 3);
  for (int y = 0; y < one.mean.height(); ++y) {
    REQUIRE(std::memcmp(one.mean.row(y).data(), three.mean.row(y).data(),
                        one.mean.row(y).size_bytes()) == 0);
    REQUIRE(std::memcmp(one.uncertainty.row(y).data(), three.uncertainty.row(y).data(),
                        one.uncertainty.row(y).size_bytes()) == 0);
  }
  // Five subs on a grid twice as fine: the coverage is uneven and it is said.
  CHECK(one.totals.unevenness[0] > 0.2);
}

}  // namespace
}  // namespace coldframe::pipeline
