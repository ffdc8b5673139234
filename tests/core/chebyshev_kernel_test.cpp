#include "core/chebyshev_kernel.hpp"

#include <hwy/targets.h>

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/chebyshev.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;

TEST_CASE("every instruction set evaluates a row of a surface to the same bits", "[chebyshev]") {
  RandomStream random(3, 1, 4);
  std::vector<double> series(8);
  for (double& c : series) c = random.normal();
  constexpr int width = 3001;
  constexpr std::size_t count = 517;
  for (const int order : {0, 1, 2, 7}) {
    std::vector<double> expected(count);
    std::vector<float> expected_float(count);
    chebyshev_row_scalar(series.data(), order, -3, width, expected.data(), count);
    chebyshev_row_scalar(series.data(), order, -3, width, expected_float.data(), count);
    // The definition: T_i(cos t) = cos(i t).
    for (std::size_t p = 3; p < count; p += 101) {
      const double u = chebyshev_coordinate(static_cast<double>(p) - 3.0, width);
      double sum = 0.0;
      for (int i = 0; i <= order; ++i) {
        sum += series[static_cast<std::size_t>(i)] * std::cos(i * std::acos(u));
      }
      CHECK(std::fabs(expected[p] - sum) < 1e-12);
    }
    for (std::int64_t rest = hwy::SupportedTargets(); rest != 0; rest &= rest - 1) {
      hwy::SetSupportedTargetsForTest(rest & -rest);
      hwy::GetChosenTarget().Update(hwy::SupportedTargets());
      for (const std::size_t length : {count, std::size_t{0}, std::size_t{1}, std::size_t{70}}) {
        std::vector<double> row(length);
        std::vector<float> row_float(length);
        chebyshev_row(series.data(), order, -3, width, row.data(), length);
        chebyshev_row(series.data(), order, -3, width, row_float.data(), length);
        bool same = true;
        for (std::size_t p = 0; p < length; ++p) {
          same = same && row[p] == expected[p] && row_float[p] == expected_float[p];
        }
        CHECK(same);
      }
    }
    hwy::SetSupportedTargetsForTest(0);
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
  }
}
