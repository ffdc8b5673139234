// The methods that choose by the data: what they keep, and where they give way.
#include <cmath>

#include "catch.hpp"
#include "demosaiced.hpp"

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::demosaic;
using test_frames::mosaic_of;
using test_frames::noise_plane;

TEST_CASE("adaptive methods keep edges that bilinear blurs", "[demosaic]") {
  // A neutral edge along the columns. As published, the correction finds the direction and is exact
  // in green; held to the light of each colour's own samples it stays within a few per cent of the
  // step beside it, where the plain mean errs by a quarter of it.
  const Size size{40, 40};
  const Mask good(size);
  const auto edge = [](int, int x, int) { return x < 20 ? 100.0 : 900.0; };
  const auto mosaic = mosaic_of(size, CfaPattern::rggb, edge);
  const auto worst_of = [&](Demosaic method) {
    const auto out = demosaic(mosaic, good, CfaPattern::rggb, method);
    double worst = 0.0;
    for (int y = 14; y < 26; ++y) {
      for (int x = 14; x < 26; ++x) {
        worst = std::max(worst, std::abs(static_cast<double>(out.planes[1](x, y)) - edge(1, x, y)));
      }
    }
    return worst;
  };
  const double plain = worst_of(Demosaic::bilinear);
  CHECK(plain > 100.0);
  CHECK(worst_of(Demosaic::gradient_corrected) < 0.35 * plain);
  CHECK(worst_of(Demosaic::lmmse) < 0.35 * plain);
}

TEST_CASE("adaptive methods add no light to a colour", "[demosaic]") {
  // What they add to the own lattice sums to nothing, whatever the scene: here noise with a bright
  // blue spot, summed over the frame without its edges (5 x 5 smoothing reaches 2 px).
  const Size size{80, 80};
  auto mosaic = noise_plane(size, 31, 1000.0, 60.0);
  for (int y = 36; y < 42; ++y) {
    for (int x = 36; x < 42; ++x) {
      if (cfa_colour(CfaPattern::grbg, x, y) == 2) mosaic(x, y) += 5000.0F;
    }
  }
  Mask mask(size);
  for (int y = 0; y < size.height; ++y) {
    // Outside a frame of good pixels the own lattice stands in, so that nothing crosses the sum's
    // edge: marked as spoilt.
    for (int x = 0; x < size.width; ++x) {
      const bool rim = !whole(size).expand(-4).contains(x, y);
      if (rim) mask(x, y) = mask_bit::saturated;
    }
  }
  const auto own = demosaic(mosaic, mask, CfaPattern::grbg, Demosaic::own_lattice);
  for (const auto method : {Demosaic::gradient_corrected, Demosaic::lmmse}) {
    const auto out = demosaic(mosaic, mask, CfaPattern::grbg, method);
    for (int c = 0; c < 3; ++c) {
      double sum = 0.0;
      double changed = 0.0;
      for (int y = 0; y < size.height; ++y) {
        for (int x = 0; x < size.width; ++x) {
          const double d = static_cast<double>(out.planes[c](x, y) - own.planes[c](x, y));
          sum += d;
          changed += std::abs(d);
          if (cfa_colour(CfaPattern::grbg, x, y) == c) CHECK(d == 0.0);
        }
      }
      CHECK(changed > 1000.0);
      CHECK(std::abs(sum) < 1e-4 * changed);
    }
  }
}

TEST_CASE("around saturated samples the own lattice stands in", "[demosaic]") {
  const Size size{60, 60};
  auto mosaic = noise_plane(size, 33, 1000.0, 10.0);
  Mask mask(size);
  mosaic(30, 30) = 60000.0F;
  mask(30, 30) = mask_bit::saturated;
  for (const auto method : {Demosaic::gradient_corrected, Demosaic::lmmse}) {
    const auto out = demosaic(mosaic, mask, CfaPattern::rggb, method);
    for (int c = 0; c < 3; ++c) {
      for (int y = 0; y < size.height; ++y) {
        for (int x = 0; x < size.width; ++x) {
          if (x == 30 && y == 30) continue;
          // Neighbours of the same colour lean on it (a mean of two at most); nothing rings.
          CHECK(out.planes[c](x, y) > 900.0F);
          if (c != cfa_colour(CfaPattern::rggb, 30, 30)) CHECK(out.planes[c](x, y) < 1100.0F);
        }
      }
    }
  }
}

TEST_CASE("known noise changes what LMMSE takes for structure", "[demosaic]") {
  // Grey noise of one size: with it known the estimate must not be noisier than 2% more than
  // without (both are held to the own lattice at large scales), and a scene whose contrast is far
  // above the noise must not change by more than the noise.
  const Size size{200, 200};
  const Mask good(size);
  SampleNoise known;
  known.variance.fill(100.0F);
  const auto run = [&](const Grid<float>& mosaic, const SampleNoise& noise) {
    auto out = demosaic(mosaic, good, CfaPattern::rggb, Demosaic::lmmse, noise);
    return std::move(out.planes[1]);
  };
  const auto rms_about = [&](const Grid<float>& a, const Grid<float>* b) {
    double sum = 0.0;
    for (int y = 10; y < 190; ++y) {
      for (int x = 10; x < 190; ++x) {
        const double d = static_cast<double>(a(x, y)) -
                         (b != nullptr ? static_cast<double>((*b)(x, y)) : 1000.0);
        sum += d * d;
      }
    }
    return std::sqrt(sum / (180.0 * 180.0));
  };
  const auto grey = noise_plane(size, 35, 1000.0, 10.0);
  CHECK(rms_about(run(grey, known), nullptr) < 1.02 * rms_about(run(grey, {}), nullptr));
  auto checks = noise_plane(size, 36, 1000.0, 10.0);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      if (((x / 10) + (y / 10)) % 2 == 0) checks(x, y) += 3000.0F;
    }
  }
  const auto with = run(checks, known);
  const auto without = run(checks, {});
  CHECK(rms_about(with, &without) < 10.0);
  CHECK(rms_about(with, &without) > 0.01);
}
