#include "core/select_kernel.hpp"

#include <hwy/targets.h>

#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"

using namespace coldframe;

namespace {

std::vector<float> draw(std::size_t n, double level, double sd) {
  RandomStream random(7, 2, n);
  std::vector<float> values(n);
  for (float& v : values) v = static_cast<float>(level + sd * random.normal());
  return values;
}

}  // namespace

TEST_CASE("every instruction set selects the value that sorting puts there") {
  // Lengths that are no multiple of any vector's; values of both signs, equal values, codes.
  std::vector<std::vector<float>> lists{
      draw(1003, 1000.0, 30.0),       draw(37, -0.1, 1.0), draw(1, 0.0, 1.0),
      std::vector<float>(50, 3.0F),   draw(17, 0.0, 1e30), draw(5000, 800.0, 20.0),
      std::vector<float>(3000, -2.0F)};
  lists.push_back(draw(256, 500.0, 3.0));
  for (float& v : lists.back()) v = static_cast<float>(static_cast<int>(v));
  int targets = 0;
  for (std::int64_t rest = static_cast<std::int64_t>(hwy::SupportedTargets()); rest != 0;
       rest &= rest - 1) {
    hwy::SetSupportedTargetsForTest(static_cast<decltype(hwy::SupportedTargets())>(rest & -rest));
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    ++targets;
    INFO("target " << (rest & -rest));
    for (const auto& list : lists) {
      for (std::size_t k = 0; k < list.size(); k += 1 + list.size() / 40) {
        const float kth = kth_smallest(list, k);
        CHECK(kth == kth_smallest_scalar(list.data(), list.size(), k));
        if (k == 0) continue;
        CHECK(value_before(list, kth, k) == kth_smallest_scalar(list.data(), list.size(), k - 1));
      }
    }
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
  CHECK(targets >= 1);
}
