// Every instruction set gives the bits of the plain passes.
#include <hwy/targets.h>

#include <bit>
#include <cmath>
#include <cstdint>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "stack/combine_kernel.hpp"
#include "stack/order_screen.hpp"
#include "stack/radon_kernel.hpp"
#include "stack/rule_kappa_sigma.hpp"
#include "stack/samples.hpp"
#include "stack/trail_sums_kernel.hpp"
#include "stack/winsorised_screen.hpp"

using namespace coldframe;
using namespace coldframe::stack;
using namespace coldframe::stack::detail;

namespace {

struct Data {
  std::vector<BlockSub> subs;
  std::vector<float> values;
  PerLane<float> mean{};
  LaneLimits limits;
  ScreenModel model;

  Data(std::size_t n, std::uint64_t seed) {
    RandomStream random(seed, 71, n);
    for (std::size_t i = 0; i < n; ++i) {
      const auto part = static_cast<float>(random.uniform());
      subs.push_back({{0.1F + part, 20.0F + 30.0F * part, 0.7F, 3.0F * part}, 10.0F + part, i});
    }
    for (std::size_t k = 0; k < n * lanes; ++k) {
      const double outlier = random.uniform() < 0.02 ? 200.0 * random.normal() : 0.0;
      const auto v = static_cast<float>(100.0 + 10.0 * random.normal() + outlier);
      values.push_back(random.uniform() < 0.05 ? not_usable : v);
    }
    for (std::size_t l = 0; l < lanes; ++l) {
      mean[l] = l == 3 ? -20.0F : static_cast<float>(90.0 + 20.0 * random.uniform());
      if (l % 4 == 0) limits.low[l] = 85.0F;
      if (l % 5 == 0) limits.high[l] = 118.0F;
    }
    model = {16.0F, 12.0F, 0.2F, 95.0F, 35.0F, 0.7F, 1.5F};
  }
  Segment segment() { return {subs, values}; }
};

template <typename T>
bool same(const T& a, const T& b) {
  for (std::size_t l = 0; l < lanes; ++l) {
    if constexpr (sizeof(a[l]) == 8) {
      if (std::bit_cast<std::uint64_t>(a[l]) != std::bit_cast<std::uint64_t>(b[l])) return false;
    } else {
      if (std::bit_cast<std::uint32_t>(a[l]) != std::bit_cast<std::uint32_t>(b[l])) return false;
    }
  }
  return true;
}

void compare_passes(std::size_t n) {
  Data data(n, 5);
  const Segment s = data.segment();
  CHECK(same(count_lanes(s), plain::count_lanes(s)));
  CHECK(screen_noise_model(s, data.model) == plain::screen_noise_model(s, data.model));
  const LaneSums a = sum_lanes(s, data.limits);
  const LaneSums b = plain::sum_lanes(s, data.limits);
  CHECK((same(a.weight, b.weight) && same(a.weighted, b.weighted)));
  CHECK((same(a.exposure, b.exposure) && same(a.count, b.count)));
  const LaneSpread c = spread_lanes(s, data.limits, data.mean, true);
  const LaneSpread d = plain::spread_lanes(s, data.limits, data.mean, true);
  CHECK((same(c.variance, d.variance) && same(c.first, d.first) && same(c.second, d.second)));
  for (const float kappa : {2.5F, 4.0F}) {
    const WinsorisedLimits limits{kappa, 4.0F, 35.0F, 0.7F, 1.5F};
    CHECK(screen_winsorised(s, limits) == plain::screen_winsorised(s, limits));
  }
  std::vector<float> sorted = data.values;
  std::vector<float> plainly = data.values;
  sort_lanes(n, sorted);
  plain::sort_lanes(n, plainly);
  CHECK(sorted == plainly);
  if (n >= 3) {
    for (float& v : data.values) v = v == v ? v : 100.0F;
    sort_lanes(n, data.values);
    const OrderScreen limits{6.0F, 4.5F};
    CHECK(screen_kappa_sigma(data.values, n, limits) ==
          plain::screen_kappa_sigma(data.values, n, limits));
  }
}

void compare_line_sums() {
  RandomStream random(21, 3, 0);
  std::vector<float> a(301), b(301), one(301), other(301);
  for (auto& v : a) v = static_cast<float>(random.normal());
  for (auto& v : b) v = static_cast<float>(random.normal());
  for (std::size_t count = 8; count <= a.size(); count += 1 + count / 7) {
    add(a.data(), b.data(), count, one.data());
    plain::add(a.data(), b.data(), count, other.data());
    REQUIRE(one == other);
    REQUIRE(highest_sums(a.data(), count, one.data()) ==
            plain::highest_sums(a.data(), count, other.data()));
  }
}

void compare_crossings() {
  RandomStream random(22, 3, 0);
  std::vector<float> values(64), good(64), taps(128);
  for (auto& v : values) v = static_cast<float>(random.normal());
  for (auto& g : good) g = random.uniform() < 0.8 ? 1.0F : 0.0F;
  for (auto& t : taps) t = static_cast<float>(random.uniform());
  std::vector<Crossing> crossings;
  for (std::size_t skip = 0; skip < 5; ++skip) {
    for (std::size_t count = 0; count < 50; ++count) {
      crossings.push_back({&values[skip], &good[count % 7], taps.data(), skip, count});
    }
  }
  std::vector<CrossingSums> one(crossings.size()), other(crossings.size());
  weigh(crossings.data(), crossings.size(), one.data());
  plain::weigh(crossings.data(), crossings.size(), other.data());
  for (std::size_t i = 0; i < one.size(); ++i) {
    REQUIRE(one[i].matched == other[i].matched);
    REQUIRE(one[i].square == other[i].square);
  }
}

void compare_gather() {
  std::vector<float> values(lanes);
  std::vector<std::uint8_t> mask(lanes);
  for (std::size_t l = 0; l < lanes; ++l) {
    values[l] = l % 7 == 0 ? INFINITY : (l % 5 == 0 ? std::nanf("") : static_cast<float>(l) - 9.5F);
    mask[l] = static_cast<std::uint8_t>(l % 3 == 0 ? 1U << (l % 8) : 0U);
  }
  for (std::size_t count = 0; count <= lanes; ++count) {
    for (const std::uint8_t* m : {static_cast<const std::uint8_t*>(mask.data()),
                                  static_cast<const std::uint8_t*>(nullptr)}) {
      PerLane<float> a;
      a.fill(-1.0F);
      PerLane<float> b = a;
      gather_row(values.data(), m, count, a.data());
      plain::gather_row(values.data(), m, count, b.data());
      REQUIRE(same(a, b));
    }
  }
}

}  // namespace

TEST_CASE("Kernels give the same bits on every instruction set", "[stack]") {
  test::Stack stack({0, 0, 96, 20}, 13, {1.0F, 25.0F, 1.0F, 0.0F});
  stack.fill_noise(9, 200.0);
  RandomStream random(10, 1, 1);
  for (int k = 0; k < 600; ++k) {
    const auto sub = static_cast<std::size_t>(13 * random.uniform());
    const int x = static_cast<int>(96 * random.uniform());
    const int y = static_cast<int>(20 * random.uniform());
    if (k % 2 == 0)
      stack.masks[sub](x, y) = mask_bit::defect;
    else
      stack.values[sub](x, y) += 300.0F;
  }
  const std::vector<Rejection> rules{Rejection::none, Rejection::noise_model,
                                     Rejection::kappa_sigma, Rejection::winsorised, Rejection::esd};
  std::vector<test::Combined> first;
  int targets = 0;
  for (auto rest = hwy::SupportedTargets(); rest != 0; rest &= rest - 1) {
    hwy::SetSupportedTargetsForTest(rest & -rest);
    ++targets;
    INFO(hwy::TargetName(rest & -rest));
    for (const std::size_t n : {1U, 2U, 3U, 8U, 33U, 130U}) compare_passes(n);
    compare_gather();
    compare_line_sums();
    compare_crossings();
    for (std::size_t r = 0; r < rules.size(); ++r) {
      CombineOptions options;
      options.rule = rules[r];
      options.sky_level = 200.0;
      test::Combined c = test::combine(stack, options);
      if (targets == 1) {
        first.push_back(std::move(c));
        continue;
      }
      bool equal = c.cuts == first[r].cuts;
      for (int y = 0; y < 20; ++y) {
        for (int x = 0; x < 96; ++x) {
          equal = equal && c.mean(x, y) == first[r].mean(x, y) &&
                  c.variance(x, y) == first[r].variance(x, y) &&
                  c.scatter(x, y) == first[r].scatter(x, y);
        }
      }
      CHECK(equal);
    }
  }
  hwy::SetSupportedTargetsForTest(0);
  CHECK(targets >= 1);
}

// The definition is the rule itself, on the same sorted samples.
TEST_CASE("What the kappa-sigma screen calls clean the rule keeps whole", "[stack]") {
  RandomStream random(33, 5, 0);
  std::size_t proven = 0;
  std::size_t wrong = 0;
  for (int trial = 0; trial < 400; ++trial) {
    const auto n = static_cast<std::size_t>(3.0 + 60.0 * random.uniform());
    std::vector<float> values(n * lanes);
    const double level = trial % 3 == 0 ? 60000.0 : 300.0;
    for (float& v : values) {
      const double step = trial % 4 == 0 ? 1.0 : 0.0;  // whole numbers of a quiet camera
      const double x = level + (step > 0.0 ? 1.2 : 12.0) * random.normal() +
                       (random.uniform() < 0.01 ? 60.0 : 0.0);
      v = static_cast<float>(step > 0.0 ? std::round(x) : x);
    }
    sort_lanes(n, values);
    RuleKappaSigma rule{3.0, 2.6, 5};
    const double unit = mad_to_sigma * mad_bias_factor(n);
    const std::uint32_t suspects = screen_kappa_sigma(
        values, n, {static_cast<float>(3.0 * unit), static_cast<float>(2.6 * unit)});
    for (std::size_t l = 0; l < lanes; ++l) {
      if ((suspects >> l & 1U) != 0) continue;
      ++proven;
      const Kept kept = rule(SortedSamples(&values[l], n, lanes));
      wrong += kept == Kept{0, n} ? 0U : 1U;
    }
  }
  CHECK(wrong == 0);
  CHECK(proven > 3000);  // and it proves most
}
