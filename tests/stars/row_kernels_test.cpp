#include <hwy/targets.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <limits>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
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
  const auto light = noise(count, 1.0, 1.0, 2);
  // Two cells' worth of sky; the noise of the second falls below zero on its way.
  const std::vector<SkyPiece> sky{
      {0, 500, 7, {1000.0F, 3.0F, -0.4F, 0.2F}, {30.0F, 1.0F, 0.1F, 0.0F}},
      {500, 503, 0, {1001.0F, 0.0F, 0.0F, 0.0F}, {1.0F, -2.0F, 0.0F, 0.0F}}};
  const SignalInput plain{row.data(), nullptr, sky, 1.0F / 500};
  const SignalInput lit{row.data(), light.data(), sky, 1.0F / 500};
  row[17] = std::numeric_limits<float>::quiet_NaN();
  row[18] = std::numeric_limits<float>::infinity();
  row[19] = -std::numeric_limits<float>::infinity();
  const std::vector<float> taps{0.4F, 0.21F, 0.07F, 0.02F};
  constexpr std::size_t radius = 3;
  const auto padded = noise(count + 2 * radius, 0.0, 1.0, 4);
  std::vector<std::vector<float>> lines;
  std::vector<const float*> rows;
  for (std::uint64_t k = 0; k < 2 * radius + 1; ++k) lines.push_back(noise(count, 0.0, 1.0, 5 + k));
  for (const auto& line : lines) rows.push_back(line.data());
  std::vector<float> expected[4];
  for (auto& e : expected) e.resize(count);
  signal_row_scalar(plain, expected[0].data());
  signal_row_scalar(lit, expected[3].data());
  filter_along_scalar(padded.data() + radius, taps.data(), radius, expected[1].data(), count);
  filter_across_scalar(rows.data(), taps.data(), radius, expected[2].data(), count);
  for (std::size_t i = 17; i <= 19; ++i) CHECK(expected[0][i] == 0.0F);
  on_every_target([&] {
    std::vector<float> out(count, -1.0F);
    signal_row(plain, out.data());
    CHECK(same_bits(out, expected[0]));
    signal_row(lit, out.data());
    CHECK(same_bits(out, expected[3]));
    filter_along(padded.data() + radius, taps.data(), radius, out.data(), count);
    CHECK(same_bits(out, expected[1]));
    filter_across(rows.data(), taps.data(), radius, out.data(), count);
    CHECK(same_bits(out, expected[2]));
  });
}

TEST_CASE("every instruction set bins and interpolates alike") {
  auto values = noise(count, 1000.0, 30.0, 11);
  values[5] = 1e9F;  // beyond the last bin, and below the first
  values[6] = -1e9F;
  std::vector<std::uint16_t> expected(count), bins(count);
  find_bins_scalar(values.data(), count, 640.0F, 0.53F, 384.0F, expected.data());
  CHECK(expected[5] == 385);
  CHECK(expected[6] == 0);
  on_every_target([&] {
    find_bins(values.data(), count, 640.0F, 0.53F, 384.0F, bins.data());
    CHECK(bins == expected);
    std::vector<float> out(63, -1.0F), defined(63, -2.0F);
    const float cubic[4] = {1.3F, -0.4F, 0.27F, 0.11F};
    cubic_run(cubic, 32, 1.0F / 64, out.data(), out.size());
    cubic_run_scalar(cubic, 32, 1.0F / 64, defined.data(), out.size());
    CHECK(same_bits(out, defined));
  });
}

TEST_CASE("every instruction set finds the same crests and broken values") {
  auto row = noise(count, 0.0, 1.0, 21);
  row[0] = 9.0F;  // ends, plateaus, and what is not finite
  row[count - 1] = 8.0F;
  row[500] = row[501] = row[502] = 7.0F;
  row[700] = std::numeric_limits<float>::quiet_NaN();
  std::vector<std::uint32_t> expected(count), where(count);
  for (const std::size_t n : {count, std::size_t{1}, std::size_t{2}, std::size_t{17}}) {
    const std::size_t found = find_crests_scalar(row.data(), n, 1.0F, expected.data());
    std::size_t defined = 0;
    for (std::size_t i = 0; i < n; ++i) {
      const bool crest =
          row[i] > 1.0F && (i == 0 || row[i] > row[i - 1]) && (i + 1 == n || row[i] >= row[i + 1]);
      if (crest) REQUIRE(expected[defined++] == i);
    }
    CHECK(found == defined);
    on_every_target([&] {
      CHECK(find_crests(row.data(), n, 1.0F, where.data()) == found);
      CHECK(std::equal(where.begin(), where.begin() + static_cast<std::ptrdiff_t>(found),
                       expected.begin()));
    });
  }
  row[700] = 0.0F;
  std::vector<std::uint8_t> bad(count, 0);
  on_every_target([&] {
    std::vector<float> out(count);
    CHECK(copy_good(row.data(), bad.data(), count, out.data()));
    CHECK(same_bits(out, row));
    for (const std::size_t at : {std::size_t{0}, std::size_t{333}, count - 1}) {
      const float kept = row[at];
      row[at] = std::numeric_limits<float>::infinity();
      CHECK_FALSE(copy_good(row.data(), bad.data(), count, out.data()));
      row[at] = kept;
      bad[at] = 4;
      CHECK_FALSE(copy_good(row.data(), bad.data(), count, out.data()));
      bad[at] = 0;
    }
  });
}
