// The quick sky against simulated truth and against the look at all pixels; errors of calibrated
// pixels on all instruction sets.
#include "coldframe/pipeline/sky_pass.hpp"

#include <hwy/targets.h>

#include <cmath>
#include <limits>

#include "../sensor/test_frames.hpp"
#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"
#include "pipeline/error_kernel.hpp"

using namespace coldframe;
using namespace coldframe::pipeline;
using test_frames::MemorySource;

namespace {

constexpr Size size{900, 700};

double level(int x, int y) { return 500.0 + 0.1 * x - 0.05 * y; }

Grid<float> sky_with_stars(double sd) {
  Grid<float> pixels(size);
  for (int y = 0; y < size.height; ++y) {
    RandomStream random(11, 1, static_cast<std::uint64_t>(y));
    for (int x = 0; x < size.width; ++x) {
      pixels(x, y) = static_cast<float>(level(x, y) + sd * random.normal());
    }
  }
  RandomStream random(12, 1, 1);
  for (int k = 0; k < 300; ++k) {
    const int cx = 5 + static_cast<int>(random.uniform() * (size.width - 10));
    const int cy = 5 + static_cast<int>(random.uniform() * (size.height - 10));
    for (int y = cy - 5; y <= cy + 5; ++y) {
      for (int x = cx - 5; x <= cx + 5; ++x) {
        const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
        pixels(x, y) += static_cast<float>(3000.0 * std::exp(-r2 / 3.2));
      }
    }
  }
  return pixels;
}

}  // namespace

TEST_CASE("one pixel in sixteen tells the sky's level and noise", "[pipeline][sky]") {
  constexpr double sd = 20.0;
  Grid<float> pixels = sky_with_stars(sd);
  const float none = std::numeric_limits<float>::quiet_NaN();
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < 30; ++x) pixels(x, y) = none;  // as registered files have at their edges
  }
  const MemorySource source(std::move(pixels));
  Calibration calibration;
  const auto quick = measure_quick_sky(source, calibration, {}, Threads{2});
  REQUIRE(quick.sky.size() == 1);
  CHECK(quick.stars.empty());
  CHECK(quick.preview.empty());
  // 39,000 samples: the noise is known to 0.36 %; two of these and a percent for starlight.
  CHECK(std::fabs(quick.sky[0].mesh.median_noise() / sd - 1.0) < 0.017);
  // A cell of 256 samples knows its level to 1.25 sd / 16; six of these over 154 cells, and
  // the filter's bend at the frame's edge.
  double worst = 0.0;
  for (int y = 32; y < size.height; y += 64) {
    for (int x = 64; x < size.width; x += 64) {
      worst = std::max(worst, std::fabs(quick.sky[0].level_at(x, y) - level(x, y)));
    }
  }
  CHECK(worst < 6.0 * 1.25 * sd / 16.0 + 3.2);
  const auto serial = measure_quick_sky(source, calibration, {}, Threads{1});
  CHECK(serial.sky[0].level_at(333.0, 222.0) == quick.sky[0].level_at(333.0, 222.0));
  calibration.cfa = CfaPattern::rggb;
  CHECK_THROWS_AS(measure_quick_sky(source, calibration, {}, Threads{1}), Error);
}

TEST_CASE("every instruction set finds the same errors of calibrated pixels",
          "[pipeline][kernel]") {
  constexpr std::size_t count = 403;
  RandomStream random(21, 1, 1);
  const auto draw = [&](double from, double to) {
    std::vector<float> row(count);
    for (float& v : row) v = static_cast<float>(from + (to - from) * random.uniform());
    return row;
  };
  std::vector<std::vector<float>> rows;
  for (int k = 0; k < 3; ++k) rows.push_back(draw(-30.0, 200.0));
  rows[1][200] = 60000.0F;
  std::vector<std::uint8_t> mask(count, 0);
  mask[50] = mask[51] = mask_bit::not_finite;
  const auto multiply = draw(0.8, 1.4), dark = draw(5.0, 90.0), flat = draw(0.0, 1e-4);
  pipeline::detail::ErrorRow row;
  std::vector<std::vector<float>> sums(3, std::vector<float>(count)), counts = sums;
  for (int step : {1, 2}) {
    for (std::size_t k = 0; k < 3; ++k) {
      pipeline::detail::sum_neighbours(rows[k].data(), mask.data(), count, step, sums[k].data(),
                                       counts[k].data());
      row.sums[k] = sums[k].data();
      row.counts[k] = counts[k].data();
    }
    CHECK(counts[0][0] == 2.0F);  // nothing beyond the edge
    CHECK(counts[0][52] == 2.0F);
    CHECK(counts[0][100] == 3.0F);
  }
  row.values = rows[1].data();
  row.multiply = multiply.data();
  row.flat = flat.data();
  row.adu_per_e = 0.7F;
  row.constant_dark = 30.0F;
  for (const float* plane : {static_cast<const float*>(nullptr), dark.data()}) {
    row.dark = row.subtract = plane;
    std::vector<float> scalar(count);
    pipeline::detail::error_row_scalar(row, scalar.data(), count);
    // The formula of the header, in double, where the pixel stands out: its own signal counts.
    const double m = static_cast<double>(multiply[200]), v = 60000.0;
    const double d = plane == nullptr ? 30.0 : 2.0 * static_cast<double>(dark[200]);
    const double expected =
        std::sqrt(m * m * (d + v / m * 0.7) + v * v * static_cast<double>(flat[200]));
    CHECK(static_cast<double>(scalar[200]) == Approx(expected).epsilon(1e-6));
    for (std::int64_t rest = hwy::SupportedTargets(); rest != 0; rest &= rest - 1) {
      hwy::SetSupportedTargetsForTest(rest & -rest);
      hwy::GetChosenTarget().Update(hwy::SupportedTargets());
      std::vector<float> out(count);
      pipeline::detail::error_row(row, out.data(), count);
      CHECK(out == scalar);
    }
    hwy::SetSupportedTargetsForTest(0);
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
  }
}
