#include <hwy/targets.h>

#include <cmath>
#include <cstring>
#include <limits>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "core/select_kernel.hpp"
#include "stars/filter_kernel.hpp"
#include "stars/sky_kernel.hpp"

using namespace coldframe;
using namespace coldframe::stars;

namespace {

constexpr std::size_t count = 1003;  // no multiple of any vector's length

std::vector<float> noise(std::size_t n, double level, double sd, std::uint64_t seed) {
  RandomStream random(seed, 2, 0);
  std::vector<float> values(n);
  for (float& v : values) v = static_cast<float>(level + sd * random.normal());
  return values;
}

bool same_bits(const std::vector<float>& a, const std::vector<float>& b) {
  return a.size() == b.size() && std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
}

/// Runs a check on every instruction set that this machine has.
template <typename Check>
void on_every_target(const Check& check) {
  int targets = 0;
  for (std::int64_t rest = static_cast<std::int64_t>(hwy::SupportedTargets()); rest != 0;
       rest &= rest - 1) {
    hwy::SetSupportedTargetsForTest(static_cast<decltype(hwy::SupportedTargets())>(rest & -rest));
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    ++targets;
    INFO("target " << (rest & -rest));
    check();
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
  CHECK(targets >= 1);
}

}  // namespace

TEST_CASE("every instruction set filters rows to the same bits") {
  auto row = noise(count, 1000.0, 30.0, 1);
  const auto level = noise(count, 1000.0, 1.0, 2);
  auto sigma = noise(count, 30.0, 1.0, 3);
  row[17] = std::numeric_limits<float>::quiet_NaN();
  row[18] = std::numeric_limits<float>::infinity();
  row[19] = -std::numeric_limits<float>::infinity();
  sigma[20] = 0.0F;
  const std::vector<float> taps{0.4F, 0.21F, 0.07F, 0.02F};
  constexpr std::size_t radius = 3;
  const auto padded = noise(count + 2 * radius, 0.0, 1.0, 4);
  std::vector<std::vector<float>> lines;
  std::vector<const float*> rows;
  for (std::uint64_t k = 0; k < 2 * radius + 1; ++k) lines.push_back(noise(count, 0.0, 1.0, 5 + k));
  for (const auto& line : lines) rows.push_back(line.data());
  std::vector<float> expected[3];
  for (auto& e : expected) e.resize(count);
  signal_row_scalar(row.data(), level.data(), sigma.data(), expected[0].data(), count);
  filter_along_scalar(padded.data() + radius, taps.data(), radius, expected[1].data(), count);
  filter_across_scalar(rows.data(), taps.data(), radius, expected[2].data(), count);
  for (std::size_t i = 17; i <= 20; ++i) CHECK(expected[0][i] == 0.0F);
  on_every_target([&] {
    std::vector<float> out(count, -1.0F);
    signal_row(row.data(), level.data(), sigma.data(), out.data(), count);
    CHECK(same_bits(out, expected[0]));
    filter_along(padded.data() + radius, taps.data(), radius, out.data(), count);
    CHECK(same_bits(out, expected[1]));
    filter_across(rows.data(), taps.data(), radius, out.data(), count);
    CHECK(same_bits(out, expected[2]));
  });
}

TEST_CASE("every instruction set bins and selects alike") {
  auto values = noise(count, 1000.0, 30.0, 11);
  values[5] = 1e9F;  // beyond the last bin, and below the first
  values[6] = -1e9F;
  std::vector<std::uint16_t> expected(count), bins(count);
  find_bins_scalar(values.data(), count, 640.0F, 0.53F, 384.0F, expected.data());
  CHECK(expected[5] == 385);
  CHECK(expected[6] == 0);
  const auto small = noise(37, -0.1, 1.0, 12);  // of both signs
  const std::vector<std::vector<float>> lists{values, small, std::vector<float>(50, 3.0F)};
  on_every_target([&] {
    find_bins(values.data(), count, 640.0F, 0.53F, 384.0F, bins.data());
    CHECK(bins == expected);
    for (const auto& list : lists) {
      for (std::size_t k = 0; k < list.size(); k += 9) {
        CHECK(kth_smallest(list.data(), list.size(), k) ==
              kth_smallest_scalar(list.data(), list.size(), k));
      }
    }
    std::vector<float> out(63, -1.0F), defined(63, -2.0F);
    const float cubic[4] = {1.3F, -0.4F, 0.27F, 0.11F};
    cubic_run(cubic, 32, 1.0F / 64, out.data(), out.size());
    cubic_run_scalar(cubic, 32, 1.0F / 64, defined.data(), out.size());
    CHECK(same_bits(out, defined));
    CHECK(kth_smallest(small.data(), 1, 0) == small[0]);
  });
}
