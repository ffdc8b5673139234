// The rejection rules on one pixel's samples: published examples and exact bounds.
#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"
#include "stack/combine_kernel.hpp"
#include "stack/rule_esd.hpp"
#include "stack/rule_kappa_sigma.hpp"
#include "stack/rule_noise_model.hpp"
#include "stack/rule_winsorised.hpp"
#include "stack/segment_passes.hpp"
#include "stack/student_t.hpp"
#include "stack/winsorised_few.hpp"
#include "stack/winsorised_screen.hpp"

using namespace coldframe;
using namespace coldframe::stack::detail;
using coldframe::stack::BlockCoefficients;

namespace {

// Rosner 1983, Technometrics 25, 165; NIST/SEMATECH e-Handbook 1.3.5.17.3. Sorted.
const std::vector<float> rosner{-0.25F, 0.68F, 0.94F, 1.15F, 1.20F, 1.26F, 1.26F, 1.34F, 1.38F,
                                1.43F,  1.49F, 1.49F, 1.55F, 1.56F, 1.58F, 1.65F, 1.69F, 1.70F,
                                1.76F,  1.77F, 1.81F, 1.91F, 1.94F, 1.96F, 1.99F, 2.06F, 2.09F,
                                2.10F,  2.14F, 2.15F, 2.23F, 2.24F, 2.26F, 2.35F, 2.37F, 2.40F,
                                2.47F,  2.54F, 2.62F, 2.64F, 2.90F, 2.92F, 2.92F, 2.93F, 3.21F,
                                3.26F,  3.30F, 3.59F, 3.68F, 4.30F, 4.64F, 5.34F, 5.42F, 6.01F};

SortedSamples view(const std::vector<float>& sorted) { return {sorted.data(), sorted.size(), 1}; }

std::vector<float> sorted_normals(std::uint64_t seed, std::size_t n) {
  RandomStream random(seed, 21, n);
  std::vector<float> v(n);
  for (float& x : v) x = static_cast<float>(random.normal());
  std::sort(v.begin(), v.end());
  return v;
}

PixelSamples pixel(const std::vector<float>& values, const std::vector<BlockSub>& subs) {
  PixelSamples p;
  for (std::size_t i = 0; i < values.size(); ++i) p.add(values[i], subs[i]);
  return p;
}

std::vector<std::uint8_t> judged(const std::vector<float>& values, double seeing = 0.0,
                                 float constant = 1.0F, float slope = 0.0F) {
  const std::vector<BlockSub> subs(values.size(), BlockSub{{1.0F, constant, slope, 0.0F}, 1.0F, 0});
  PixelSamples p = pixel(values, subs);
  RuleNoiseModel rule;
  rule.seeing_share = seeing;
  rule(p);
  return p.kept;
}

using Bits = std::vector<std::uint8_t>;

}  // namespace

TEST_CASE("Student's t has the quantiles of the tables", "[stack]") {
  // Abramowitz & Stegun table 26.10: t with P(|T| > t) = 1 - A.
  CHECK(student_quantile(0.05, 1) == Approx(12.706).epsilon(5e-5));
  CHECK(student_quantile(0.05, 2) == Approx(4.303).epsilon(2e-4));
  CHECK(student_quantile(0.01, 5) == Approx(4.032).epsilon(2e-4));
  CHECK(student_quantile(0.01, 30) == Approx(2.750).epsilon(2e-4));
  CHECK(student_quantile(0.001, 120) == Approx(3.373).epsilon(2e-4));
  // One degree of freedom is the Cauchy distribution: t = cot(pi tail / 2).
  CHECK(student_quantile(1e-4, 1) ==
        Approx(1.0 / std::tan(0.5e-4 * 3.14159265358979)).epsilon(1e-9));
  for (const int n : {1, 2, 3, 7, 52, 1999}) {
    for (const double tail : {0.5, 0.05, 1e-3, 1e-5}) {
      CHECK(student_two_sided(student_quantile(tail, n), n) == Approx(tail).epsilon(1e-8));
    }
  }
}

TEST_CASE("Generalised ESD finds Rosner's three outliers", "[stack]") {
  const std::vector<double> limits = esd_limits(54, 10, 0.05);
  // Check values recomputed from the paper's formulas; NIST prints them cut to 3 decimals.
  const std::vector<double> published{3.158794, 3.151430, 3.143890, 3.136165, 3.128247,
                                      3.120128, 3.111796, 3.103243, 3.094456, 3.085425};
  for (std::size_t i = 0; i < 10; ++i) CHECK(limits[i] == Approx(published[i]).margin(1e-6));
  const std::vector<double> statistics{3.118906, 2.942973, 3.179424, 2.810181, 2.815580,
                                       2.848172, 2.279327, 2.310366, 2.101581, 2.067178};
  RuleEsd::each_deviate(view(rosner), 10, [&](std::size_t i, double d, double sd, Kept left) {
    CHECK(d / sd == Approx(statistics[i]).margin(1e-6));
    CHECK(left.last - left.first == 53 - i);
  });
  // The first two statistics stay under their limits: stopping there would find none.
  const Kept kept = RuleEsd::search(view(rosner), limits);
  CHECK(kept == Kept{0, 51});
  RuleEsd rule(0.05, 10.0 / 54.0 + 1e-9, 54);
  CHECK(rule(view(rosner)) == Kept{0, 51});
  // With a stricter significance nothing goes; its limits are higher (R_3 = 3.179424).
  RuleEsd strict(0.005, 0.19, 54);
  CHECK(strict(view(rosner)) == Kept{0, 54});
}

TEST_CASE("Kappa-sigma with a robust scale keeps 48 of Rosner's samples", "[stack]") {
  // k = 3, median and MAD, to convergence: 48 kept, cut are -0.25 4.30 4.64 5.34 5.42 6.01
  // (astropy.stats.sigma_clip). The factor for small samples, 1.015 here, changes none.
  const RuleKappaSigma rule{3.0, 3.0, 20};
  CHECK(rule(view(rosner)) == Kept{1, 49});
  // After one pass 50 are left.
  const RuleKappaSigma once{3.0, 3.0, 1};
  const Kept first = once(view(rosner));
  CHECK(first.last - first.first == 50);
}

TEST_CASE("The absolute deviation of sorted samples is the plain one", "[stack]") {
  for (std::size_t n = 1; n < 40; ++n) {
    const std::vector<float> v = sorted_normals(3, n);
    const std::vector<double> plain(v.begin(), v.end());
    const SortedSamples s = view(v);
    const double centre = s.median({0, n});
    CHECK(centre == median(plain));
    CHECK(s.absolute_deviation({0, n}, centre) == median_absolute_deviation(plain));
  }
}

TEST_CASE("The Winsorised screen passes no lane that the rule would cut", "[stack]") {
  // Gaussian samples, whole numbers of a quiet camera, and outliers of all sizes.
  int passed = 0;
  int cut = 0;
  for (const std::size_t n : std::vector<std::size_t>{3, 8, 12, 20, 50}) {
    std::vector<BlockSub> subs(n);
    for (int round = 0; round < 90; ++round) {
      RandomStream random(17, static_cast<std::uint32_t>(n), static_cast<std::uint64_t>(round));
      const double noise = round % 3 == 0 ? 0.5 : 3.0;
      const WinsorisedLimits limits{4.0F, 4.0F, static_cast<float>(noise * noise + 1.0 / 12.0)};
      std::vector<float> values(n * lanes);
      for (float& v : values) {
        // The last third: outliers near the limit, two levels, wide wings.
        const double size = round < 60 ? 20.0 : noise * (3.5 + random.uniform());
        const double shift = random.uniform() < 0.02 ? size * random.normal() : 0.0;
        const double level = round % 7 == 6 && random.uniform() < 0.3 ? 2.0 * noise : 0.0;
        const double wing = round >= 75 && random.uniform() < 0.1 ? 2.5 : 1.0;
        const double value = 1000.0 + level + wing * noise * random.normal() + shift;
        v = static_cast<float>(round % 2 == 0 ? std::round(value) : value);
        if (round % 5 == 0 && random.uniform() < 0.1) v = not_usable;
      }
      const Segment segment{subs, values};
      const std::uint32_t suspects = plain::screen_winsorised(segment, limits);
      RuleWinsorised rule(4.0, 4.0, n);
      for (std::size_t l = 0; l < lanes; ++l) {
        std::vector<float> lane;
        for (std::size_t i = 0; i < n; ++i) {
          if (segment.at(i, l) == segment.at(i, l)) lane.push_back(segment.at(i, l));
        }
        std::sort(lane.begin(), lane.end());
        const Kept kept = rule(SortedSamples(lane.data(), lane.size(), 1));
        const bool cuts = kept != Kept{0, lane.size()};
        if ((suspects >> l & 1U) == 0) {
          ++passed;
          CAPTURE(n, round, lane);
          CHECK_FALSE(cuts);
        }
        cut += cuts ? 1 : 0;
      }
    }
  }
  CHECK(passed > 2500);  // of the 5,760 lanes with 12 samples or more: worth its while
  CHECK(cut > 500);
}

TEST_CASE("The screen of few samples passes no lane that the Winsorised rule would cut",
          "[stack]") {
  int passed = 0;
  int cut = 0;
  for (std::size_t n = 3; n < 12; ++n) {
    for (int round = 0; round < 60; ++round) {
      RandomStream random(18, static_cast<std::uint32_t>(n), static_cast<std::uint64_t>(round));
      // Whole numbers of a quiet camera, Gaussian samples, outliers near the limit and far off.
      const double noise = round % 3 == 0 ? 0.5 : 3.0;
      const double size = round % 4 == 0 ? 20.0 : noise * (2.0 + 3.0 * random.uniform());
      std::vector<float> values(n * lanes);
      for (float& v : values) {
        const double shift = random.uniform() < 0.06 ? size * random.normal() : 0.0;
        const double value = 1000.0 + noise * random.normal() + shift;
        v = static_cast<float>(round % 2 == 0 ? std::round(value) : value);
        if (round % 5 == 0 && random.uniform() < 0.03) v = not_usable;
      }
      std::vector<float> sorted = values;
      sort_lanes(n, sorted);
      PerLane<float> medians;
      lane_medians(sorted, n, medians);
      std::vector<float> distances(sorted.size());
      for (std::size_t k = 0; k < sorted.size(); ++k) {
        distances[k] = std::fabs(sorted[k] - medians[k % lanes]);
      }
      sort_lanes(n, distances);
      const FewSamples few{sorted, distances, n, 3.5F, 4.0F};
      const std::uint32_t suspects = suspects_of_few(few);
      CHECK(suspects == plain::suspects_of_few(few));
      RuleWinsorised rule(3.5, 4.0, n);
      for (std::size_t l = 0; l < lanes; ++l) {
        std::vector<float> lane;
        for (std::size_t i = 0; i < n; ++i) {
          if (values[i * lanes + l] == values[i * lanes + l]) lane.push_back(values[i * lanes + l]);
        }
        std::sort(lane.begin(), lane.end());
        const bool cuts = rule(view(lane)) != Kept{0, lane.size()};
        cut += cuts ? 1 : 0;
        if ((suspects >> l & 1U) != 0) continue;
        ++passed;
        CAPTURE(n, round, lane);
        CHECK_FALSE(cuts);
      }
    }
  }
  CHECK(passed > 9000);  // of 17,280: worth its while
  CHECK(cut > 500);
}

TEST_CASE("The Winsorised scale is Algorithm A of ISO 13528", "[stack]") {
  // Analytical Methods Committee 1989; both recomputed to 1e-9. The rule stops when the
  // scale moves by less than 1e-5 of itself, with a contraction of about a third per pass.
  RuleWinsorised rule(3.0, 3.0, 64);
  const std::vector<float> few{4.2F, 4.5F, 4.9F, 5.2F, 5.6F, 6.2F, 9.9F};
  const WinsorisedEstimate a = rule.estimate(view(few));
  CHECK(a.centre == Approx(5.386489230096).epsilon(2e-5));
  CHECK(a.scale == Approx(1.145956920383).epsilon(2e-5));
  const WinsorisedEstimate b = rule.estimate(view(rosner));
  CHECK(b.centre == Approx(2.193916242676).epsilon(2e-5));
  CHECK(b.scale == Approx(0.908830789390).epsilon(2e-5));
  CHECK(rule(view(few)) == Kept{0, 6});
  // 1.134 is the inverse sd of a Gaussian Winsorised at 1.5 (recomputed 1.1333926555, printed so):
  // a large Gaussian sample has scale 1 up to that rounding.
  RuleWinsorised wide(3.0, 3.0, 200000);
  CHECK(wide.estimate(view(sorted_normals(6, 200000))).scale == Approx(1.0).epsilon(0.006));
}

TEST_CASE("A lone outlier is cut where mean and standard deviation could not", "[stack]") {
  // With n <= 10 no sample can lie 3 standard deviations of all from the mean of all
  // (Shiffler 1988, Am. Stat. 42, 79): the bound is (n - 1) / sqrt(n).
  for (std::size_t n = 5; n <= 10; ++n) {
    std::vector<float> v = sorted_normals(8, n);
    v.back() = 1000.0F;
    const std::vector<double> plain(v.begin(), v.end());
    const double z = (1000.0 - mean(plain)) / standard_deviation(plain);
    CHECK(z ==
          Approx((static_cast<double>(n) - 1.0) / std::sqrt(static_cast<double>(n))).epsilon(1e-3));
    RuleWinsorised winsorised(4.0, 4.0, n);
    CHECK(winsorised(view(v)).last == n - 1);
    // Five samples give a poor scale: it may cost a good one, but the outlier goes.
    CHECK(RuleKappaSigma{4.0, 4.0, 5}(view(v)).last <= n - 1);
    CHECK(RuleKappaSigma{4.0, 4.0, 5}(view(v)).last >= n - 2);
  }
}

TEST_CASE("Clipping a large Gaussian sample leaves the published share", "[stack]") {
  // 2 Phi(k) - 1 of a million samples; the centre and scale are good to 0.2%.
  const std::size_t n = 1000000;
  const std::vector<float> v = sorted_normals(5, n);
  for (const auto& [k, share] : {std::pair{2.0, 0.9544997361}, std::pair{3.0, 0.9973002039}}) {
    const Kept once = RuleKappaSigma{k, k, 1}(view(v));
    CHECK(static_cast<double>(once.last - once.first) / 1e6 == Approx(share).margin(1e-3));
    // Standard deviation of what is left: sqrt(1 - 2 k phi(k) / share), 0.8796256610 and
    // 0.9865783926 (recomputed); a million samples give it to 0.1 %, the limits to 0.2 %.
    const std::vector<double> left(v.begin() + static_cast<std::ptrdiff_t>(once.first),
                                   v.begin() + static_cast<std::ptrdiff_t>(once.last));
    CHECK(standard_deviation(left) == Approx(k == 2.0 ? 0.8796256610 : 0.9865783926).epsilon(3e-3));
  }
}

TEST_CASE("The variance of the median follows the exact integrals", "[stack]") {
  // n, variance for sigma = 1, by integration of the order statistic.
  const std::vector<std::pair<std::size_t, double>> exact{
      {2, 0.5},         {3, 0.44867110},  {4, 0.29819962},  {5, 0.28683366},
      {6, 0.21474267},  {7, 0.21044686},  {8, 0.16818086},  {9, 0.16610128},
      {10, 0.13832644}, {15, 0.10169465}, {20, 0.07343703}, {25, 0.06174626}};
  for (const auto& [n, variance] : exact) {
    INFO(n);
    CHECK(median_variance(n) == Approx(variance).epsilon(0.01));
  }
}

TEST_CASE("The noise model is sound from two samples on", "[stack]") {
  CHECK(judged({5.0F}) == Bits{1});
  CHECK(judged({5.0F, 10.5F}) == Bits{1, 1});  // 5.5 < 4 sqrt(1 + 1)
  CHECK(judged({5.0F, 10.8F}) == Bits{1, 0});  // the brighter one goes
  CHECK(judged({10.8F, 5.0F}) == Bits{0, 1});
  CHECK(judged({0.0F, 1.0F, 100.0F}) == Bits{1, 1, 0});
  CHECK(judged({100.0F, 0.0F, 101.0F}) == Bits{1, 0, 1});  // two agree against one
  CHECK(judged({0.0F, 1.0F, 90.0F, 95.0F}) == Bits{1, 1, 0, 0});
  CHECK(judged({0.0F, -50.0F, 1.0F, 0.5F}) == Bits{1, 0, 1, 1});
  // The limit for three: 4 sqrt(1 + var of their median) = 4.81 from the median.
  CHECK(judged({0.0F, -0.5F, 4.7F}) == Bits{1, 1, 1});
  CHECK(judged({0.0F, -0.5F, 4.9F}) == Bits{1, 1, 0});
}

TEST_CASE("The noise model knows photon noise, unequal subs and stars", "[stack]") {
  // At 10,000 photons the noise is 100: 300 above the others is no outlier.
  CHECK(judged({10000.0F, 9900.0F, 10300.0F, 10050.0F}, 0.0, 0.0F, 1.0F) == Bits{1, 1, 1, 1});
  CHECK(judged({10000.0F, 9990.0F, 10300.0F, 10002.0F}, 0.0, 1.0F, 0.0F) == Bits{1, 0, 0, 1});
  const std::vector<float> star{1000.0F, 550.0F, 1000.0F, 560.0F, 990.0F};
  CHECK(judged(star, 0.25, 100.0F) == Bits{1, 1, 1, 1, 1});
  CHECK(judged(star, 0.0, 100.0F) == Bits{1, 0, 1, 0, 1});
  // A short exposure of 10 times the noise may differ, a long one may not.
  const std::vector<BlockSub> subs{{{1.0F, 1.0F, 0.0F, 0.0F}, 1.0F, 0},
                                   {{1.0F, 1.0F, 0.0F, 0.0F}, 1.0F, 1},
                                   {{1.0F, 1.0F, 0.0F, 0.0F}, 1.0F, 2},
                                   {{1.0F, 1.0F, 0.0F, 0.0F}, 1.0F, 3},
                                   {{0.1F, 100.0F, 0.0F, 0.0F}, 1.0F, 4}};
  RuleNoiseModel rule;
  PixelSamples p = pixel({0.0F, 0.4F, -0.6F, 0.1F, 30.0F}, subs);
  rule(p);
  CHECK(p.kept == Bits{1, 1, 1, 1, 1});
  p = pixel({0.0F, 0.4F, -0.6F, 30.0F, 1.0F}, subs);
  rule(p);
  CHECK(p.kept == Bits{1, 1, 1, 0, 1});
}

TEST_CASE("Lanes are sorted for any number of subs", "[stack]") {
  RandomStream random(4, 4, 4);
  for (std::size_t n = 1; n <= 70; ++n) {
    std::vector<float> values(n * lanes);
    for (float& v : values)
      v = random.uniform() < 0.1 ? not_usable : static_cast<float>(random.normal());
    std::vector<float> sorted = values;
    plain::sort_lanes(n, sorted);
    for (std::size_t l = 0; l < lanes; ++l) {
      std::vector<float> expected;
      for (std::size_t i = 0; i < n; ++i) {
        const float v = values[i * lanes + l];
        expected.push_back(std::isnan(v) ? std::numeric_limits<float>::infinity() : v);
      }
      std::sort(expected.begin(), expected.end());
      bool same = true;
      for (std::size_t i = 0; i < n; ++i) same = same && sorted[i * lanes + l] == expected[i];
      REQUIRE(same);
    }
  }
}

TEST_CASE("Samples and survivors for the crosscheck", "[stack]") {
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  std::vector<float> block;
  RandomStream random(77, 5, 0);
  for (const int n : {5, 8, 12, 25, 60}) {
    for (int pixel_index = 0; pixel_index < 400; ++pixel_index) {
      std::vector<float> v;
      for (int i = 0; i < n; ++i) {
        const double spoilt = random.uniform() < 0.05 ? 12.0 * random.uniform() : 0.0;
        v.push_back(static_cast<float>(100.0 + 3.0 * random.normal() + 3.0 * spoilt));
      }
      std::sort(v.begin(), v.end());
      const Kept kept = RuleKappaSigma{3.0, 3.5, 5}(view(v));
      CHECK(kept.last > kept.first);
      block.push_back(static_cast<float>(n));
      block.push_back(static_cast<float>(kept.first));
      block.push_back(static_cast<float>(kept.last));
      block.insert(block.end(), v.begin(), v.end());
    }
  }
  if (folder == nullptr) return;
  std::ofstream out(std::filesystem::path(folder) / "stack_kappa_sigma.f32", std::ios::binary);
  out.write(reinterpret_cast<const char*>(block.data()),
            static_cast<std::streamsize>(block.size() * sizeof(float)));
  REQUIRE(out.good());
}
