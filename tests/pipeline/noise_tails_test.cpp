// Noise with wide wings: what the default rejection keeps sets the error, not the core alone.
#include <cmath>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "frames.hpp"
#include "pipeline/noise_tails.hpp"

using namespace coldframe;
using namespace coldframe::pipeline;

namespace {

constexpr Size frame{512, 384};
constexpr double core = 10.0;

/// A share of the pixels has `wide` times the noise: their variance is known in closed form.
Grid<float> mixed_noise(double share, double wide, double stars) {
  Grid<float> pixels(frame);
  RandomStream random(5, 3, 0);
  for (int y = 0; y < frame.height; ++y) {
    for (float& v : pixels.row(y)) {
      const double sd = random.uniform() < share ? wide * core : core;
      double value = 300.0 + sd * random.normal();
      if (random.uniform() < stars) value += 400.0 * random.uniform();
      v = static_cast<float>(value);
    }
  }
  return pixels;
}

double factor_of(const Grid<float>& pixels) {
  const ChannelSky sky{test::flat_mesh(frame, 300.0F, static_cast<float>(core)), 1, 0, 0};
  const Mask mask(frame);
  return tail_factor(pixels.cview(), mask.cview(), sky, Threads{2});
}

}  // namespace

TEST_CASE("Gaussian noise has no tails, stars make none", "[pipeline]") {
  CHECK(factor_of(mixed_noise(0.0, 1.0, 0.0)) == 1.0);
  CHECK(factor_of(mixed_noise(0.0, 1.0, 0.05)) == 1.0);
}

TEST_CASE("Wide wings count with what survives rejection", "[pipeline]") {
  // 10 % of the pixels with 2.5 times the noise: variance 0.9 + 0.1 * 6.25 = 1.525, sd 1.235.
  // Of the wide ones about 5 % lie beyond 4 of these sd and are cut; their own core scale of the
  // mixture is 1.06 of the narrow one's. The fixed point of the cut mixture, by integration of
  // the two Gaussians: x = sd within 4 x.
  double x = 1.0;
  for (int round = 0; round < 50; ++round) {
    double squares = 0.0;
    double mass = 0.0;
    constexpr double step = 1e-3;
    for (double t = 0.5 * step; t < 4.0 * x; t += step) {
      const double p = 0.9 * std::exp(-0.5 * t * t) + 0.1 / 2.5 * std::exp(-0.5 * t * t / 6.25);
      squares += p * t * t * step;
      mass += p * step;
    }
    x = std::sqrt(squares / mass);
  }
  // The factor stands on the measured core: it may take the core's widening for the mesh's.
  const double factor = factor_of(mixed_noise(0.1, 2.5, 0.0));
  CHECK(factor > 1.03);
  CHECK(factor <= 1.01 * x);
  CHECK(factor >= 0.92 * x);
}
