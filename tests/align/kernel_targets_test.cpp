// The resampling rows give the scalar definition's bits on every instruction set of this machine.
#include <hwy/targets.h>

#include <bit>
#include <cmath>
#include <vector>

#include "align/near.hpp"
#include "align/position_kernel.hpp"
#include "align/resample_kernel.hpp"
#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::align;

namespace {

struct Case {
  std::vector<float> source;
  std::vector<std::int32_t> ix, iy;
  std::vector<float> ux, uy;
};

// Steps of the source position per destination pixel: a row, a row backwards, a slope, and chaos.
Case make_case(double step_x, double step_y, bool chaos, std::uint64_t seed) {
  constexpr int side = 128;
  RandomStream random(seed, 5, 0);
  Case c;
  for (int i = 0; i < side * side; ++i) {
    c.source.push_back(static_cast<float>(100.0 + 10.0 * random.normal()));
    if (random.uniform() < 0.01) c.source.back() = 60000.0F;
  }
  double x = step_x < 0.0 ? 110.3 : 10.7, y = 40.2;
  for (int i = 0; i < 101; ++i) {
    if (chaos) {
      x = 10.0 + 100.0 * random.uniform();
      y = 10.0 + 100.0 * random.uniform();
    }
    c.ix.push_back(static_cast<std::int32_t>(x) - 2);
    c.iy.push_back(static_cast<std::int32_t>(y) - 2);
    c.ux.push_back(static_cast<float>(x - static_cast<int>(x) - 0.5));
    c.uy.push_back(static_cast<float>(y - static_cast<int>(y) - 0.5));
    x += step_x;
    y += step_y;
  }
  return c;
}

}  // namespace

TEST_CASE("All instruction sets split positions alike", "[align][kernel]") {
  RandomStream random(8, 5, 0);
  std::vector<double> places;
  for (int i = 0; i < 1001; ++i) places.push_back(4000.0 * random.uniform());
  for (int i = 0; i < 20; ++i) places.push_back(i);
  const PositionLine line{0.99997, 17.25, 3000};
  std::vector<std::int32_t> first(places.size()), expected_first(places.size());
  std::vector<float> u(places.size()), expected_u(places.size());
  for (std::int64_t rest = hwy::SupportedTargets(); rest != 0; rest &= rest - 1) {
    hwy::SetSupportedTargetsForTest(rest & -rest);
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    for (const bool straight : {false, true}) {
      const SplitPositions expected{expected_first.data(), expected_u.data(), 5};
      const SplitPositions found{first.data(), u.data(), 5};
      if (straight) {
        split_scalar(line, expected, places.size());
        split(line, found, places.size());
      } else {
        split_scalar(places.data(), expected, places.size());
        split(places.data(), found, places.size());
      }
      CHECK(first == expected_first);
      CHECK(u == expected_u);
    }
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
  split_scalar(line, {expected_first.data(), expected_u.data(), 5}, places.size());
  for (int i = 0; i < 1000; ++i) {
    const double s = 0.99997 * (3000 + i) + 17.25;
    const auto k = static_cast<std::size_t>(i);
    CHECK(expected_first[k] == static_cast<int>(std::floor(s)) - 5);
    CHECK(expected_u[k] == static_cast<float>(s - std::floor(s) - 0.5));
  }
}

TEST_CASE("All instruction sets resample to the same bits", "[align][kernel]") {
  const std::vector<Case> cases{
      make_case(0.9999, 0.004, false, 1), make_case(-0.9999, 0.004, false, 2),
      make_case(0.83, 0.55, false, 3),    make_case(0.0, 0.0, true, 4),
      make_case(0.995, 0.13, false, 5),   make_case(-0.997, -0.08, false, 6),
      make_case(0.98, -0.2, false, 7)};
  int targets = 0;
  for (std::int64_t rest = hwy::SupportedTargets(); rest != 0; rest &= rest - 1) {
    hwy::SetSupportedTargetsForTest(rest & -rest);
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    ++targets;
    for (const Case& c : cases) {
      for (const Kernel kernel : {Kernel::lanczos3, Kernel::bicubic, Kernel::bilinear}) {
        for (const float guard : {-1.0F, 0.03F}) {
          const TapRun run{c.source.data(), 128,         128,    c.ix.data(), c.iy.data(),
                           c.ux.data(),     c.uy.data(), kernel, guard};
          std::vector<float> expected(c.ix.size()), found(c.ix.size());
          resample_run_scalar(run, expected.data(), expected.size());
          resample_run(run, found.data(), found.size());
          int different = 0;
          for (std::size_t i = 0; i < found.size(); ++i) {
            different +=
                std::bit_cast<std::uint32_t>(expected[i]) != std::bit_cast<std::uint32_t>(found[i])
                    ? 1
                    : 0;
          }
          CHECK(different == 0);
        }
      }
    }
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
  CHECK(targets >= 2);  // at least a baseline and something better on any machine of ours
}
