#include "coldframe/sensor/calibrate.hpp"

#include <cmath>
#include <limits>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/sensor/defects.hpp"
#include "sensor/calibrate_kernel.hpp"
#include "test_frames.hpp"

// Last: the list of targets depends on nothing above.
#include <hwy/highway.h>

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::mosaic_of;
using test_frames::Near;
using test_frames::noise_plane;

TEST_CASE("calibration arithmetic of the reference values", "[calibrate]") {
  // check-values CAL-1: (1500 - 350) / ((30300 - 310) / 29000) = 1112.0373457819
  Grid<float> raw(3, 1, 1500.0F);
  Grid<float> dark(3, 1, 350.0F);
  Grid<float> multiply(3, 1, static_cast<float>(29000.0 / (30300.0 - 310.0)));
  Mask defects(3, 1);
  defects(1, 0) = mask_bit::defect;
  raw(2, 0) = 65535.0F;
  Mask mask(3, 1);
  CalibrationPlanes planes{dark.view(), multiply.view(), defects.view()};
  calibrate_band(raw.view(), {0, 0, 3, 1}, planes, mask.view());
  CHECK(raw(0, 0) == Near(1112.0373457819).epsilon(2e-7));
  CHECK(mask(0, 0) == 0);
  CHECK(mask(1, 0) == mask_bit::defect);
  CHECK(mask(2, 0) == mask_bit::saturated);

  // Constants in place of masters; what is no number is masked and never passed on.
  Grid<float> bare(3, 1, 1500.0F);
  bare(0, 0) = std::numeric_limits<float>::quiet_NaN();
  bare(1, 0) = -std::numeric_limits<float>::infinity();
  CalibrationPlanes constants;
  constants.constant_subtract = 300.0F;
  constants.constant_multiply = 2.0F;
  calibrate_band(bare.view(), {0, 0, 3, 1}, constants, mask.view());
  CHECK(bare(0, 0) == 0.0F);
  CHECK(bare(1, 0) == 0.0F);
  CHECK(bare(2, 0) == 2400.0F);
  CHECK(mask(0, 0) == mask_bit::not_finite);
  CHECK(mask(1, 0) == mask_bit::not_finite);
  CHECK(mask(2, 0) == 0);

  CHECK_THROWS_AS(calibrate_band(bare.view(), {1, 0, 4, 1}, planes, mask.view()), Error);
}

TEST_CASE("every instruction set gives the scalar row's bits", "[calibrate]") {
  constexpr std::size_t count = 203;
  std::vector<float> raw(count), dark(count), flat(count);
  std::vector<std::uint8_t> defects(count);
  RandomStream random(5, 1, 0);
  for (std::size_t i = 0; i < count; ++i) {
    raw[i] = static_cast<float>(70000.0 * random.uniform());
    dark[i] = static_cast<float>(500.0 + 10.0 * random.normal());
    flat[i] = static_cast<float>(1.0 + 0.1 * random.normal());
    defects[i] = i % 17 == 0 ? 1 : 0;
  }
  raw[3] = std::numeric_limits<float>::quiet_NaN();
  raw[50] = std::numeric_limits<float>::infinity();
  flat[60] = std::numeric_limits<float>::quiet_NaN();
  flat[70] = std::numeric_limits<float>::max();
  raw[80] = 65535.0F;
  const CalibrationRow full{dark.data(), flat.data(), defects.data(), 0.0F, 1.0F, 65535.0F};
  const CalibrationRow bare{nullptr, nullptr, nullptr, 12.5F, 1.7F, 40000.0F};
  int targets = 0;
  for (const std::int64_t target : hwy::SupportedAndGeneratedTargets()) {
    hwy::SetSupportedTargetsForTest(target);
    hwy::GetChosenTarget().Update(target);
    ++targets;
    for (const CalibrationRow* row : {&full, &bare}) {
      for (const std::size_t n : {count, std::size_t{1}, std::size_t{16}, std::size_t{0}}) {
        auto expected = raw;
        auto got = raw;
        std::vector<std::uint8_t> expected_mask(count, 99), got_mask(count, 99);
        calibrate_row_scalar(*row, expected.data(), expected_mask.data(), n);
        calibrate_row(*row, got.data(), got_mask.data(), n);
        INFO("target " << hwy::TargetName(target) << " count " << n);
        CHECK(std::equal(expected.begin(), expected.begin() + static_cast<std::ptrdiff_t>(n),
                         got.begin()));
        CHECK(expected_mask == got_mask);
      }
    }
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().DeInit();
  CHECK(targets >= 2);
}

TEST_CASE("calibrating by bands changes no bit", "[calibrate]") {
  const Size size{67, 40};
  const auto dark = noise_plane(size, 1, 500.0, 5.0);
  const auto flat = noise_plane(size, 2, 1.0, 0.05);
  const auto raw = noise_plane(size, 3, 3000.0, 900.0);
  CalibrationPlanes planes{dark.view(), flat.view(), {}};
  auto once = raw.clone();
  Mask mask(size);
  calibrate_band(once.view(), whole(size), planes, mask.view());
  for (const int rows : {1, 7, 13}) {
    auto parts = raw.clone();
    for (int y = 0; y < size.height; y += rows) {
      for (int x = 0; x < size.width; x += 29) {
        const Rect rect{x, y, std::min(x + 29, size.width), std::min(y + rows, size.height)};
        calibrate_band(parts.view().crop(rect), rect, planes, mask.view().crop(rect));
      }
    }
    CHECK(test_frames::same_bits(once.view(), parts.view()));
  }
}

TEST_CASE("repair takes the nearest good pixels of the same colour", "[repair]") {
  const Size size{20, 20};
  for (const auto cfa : {CfaPattern::none, CfaPattern::rggb, CfaPattern::gbrg}) {
    // Values tell the colour: a wrong neighbour would show at once.
    const auto values =
        mosaic_of(size, cfa, [](int c, int x, int y) { return 1000.0 * c + 0.5 * x + 0.25 * y; });
    Mask mask(size);
    mask(5, 5) = mask_bit::defect;
    mask(6, 5) = mask_bit::defect;
    mask(0, 0) = mask_bit::defect;
    mask(10, 3) = mask_bit::saturated;  // not asked for
    auto spoilt = values.clone();
    spoilt(5, 5) = spoilt(6, 5) = spoilt(0, 0) = 60000.0F;
    spoilt(10, 3) = 50000.0F;
    for (int y = 0; y < size.height; ++y) {  // a dead column, repaired across
      mask(15, y) = mask_bit::defect;
      spoilt(15, y) = 0.0F;
    }
    Grid<float> out(size);
    repair(spoilt.view(), mask.view(), mask_bit::defect, cfa, 0, 0, out.view());
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        if (x == 10 && y == 3) continue;
        // At most 4 px away in this ramp: 0.75 * 4.
        CHECK(std::abs(out(x, y) - values(x, y)) <= 3.0F);
        if (mask(x, y) == 0) CHECK(out(x, y) == values(x, y));
      }
    }
    CHECK(out(10, 3) == 50000.0F);
    CHECK(mask(5, 5) == mask_bit::defect);

    // By bands with the margin, at an odd origin: the same bits.
    const Rect rect{5, 3, 17, 13};
    const Rect wide = rect.expand(repair_margin(cfa)).intersect(whole(size));
    Mask part_mask(wide.size());
    for (int y = wide.y0; y < wide.y1; ++y) {
      for (int x = wide.x0; x < wide.x1; ++x) part_mask(x - wide.x0, y - wide.y0) = mask(x, y);
    }
    Grid<float> part(wide.size());
    repair(spoilt.cview().crop(wide), part_mask.view(), mask_bit::defect, cfa, wide.x0, wide.y0,
           part.view());
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) {
        CHECK(part(x - wide.x0, y - wide.y0) == out(x, y));
      }
    }
  }
}

TEST_CASE("a pixel without good neighbours is given up, not invented", "[repair]") {
  const Size size{20, 20};
  const Grid<float> values(size, 7.0F);
  Mask mask(size, mask_bit::defect);
  mask(19, 19) = 0;
  Grid<float> out(size);
  repair(values.view(), mask.view(), mask_bit::defect, CfaPattern::none, 0, 0, out.view());
  CHECK(out(3, 3) == 0.0F);
  CHECK(mask(3, 3) == (mask_bit::defect | mask_bit::not_finite));
  CHECK(out(18, 18) == 7.0F);
  CHECK(mask(18, 18) == mask_bit::defect);
}
