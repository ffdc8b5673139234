#include "coldframe/core/statistics.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "core/nist.hpp"

using namespace coldframe;
using nist::close;

namespace {

// Rosner 1983, Technometrics 25, 165: the paper's 54 values.
const std::vector<double> rosner{-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49,
                                 1.49,  1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91,
                                 1.94,  1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26,
                                 2.35,  2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93,
                                 3.21,  3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01};

std::vector<double> gaussian(std::size_t n, std::uint64_t index) {
  RandomStream random(20310314, 1, index);
  std::vector<double> values(n);
  for (double& value : values) value = random.normal();
  return values;
}

}  // namespace

TEST_CASE("mean, sd and autocorrelation agree with the NIST certified values", "[statistics]") {
  struct Row {
    const char* set;
    std::size_t line;
    std::size_t n;
    double mean, sd, r1, tolerance;
  };
  // NIST/ITL StRD univariate sets. NumAcc3/4: the decimal input itself is rounded.
  const Row table[] = {
      {"Michelso", 61, 100, 299.852400000000, 0.0790105478190518, 0.535199668621283, 1e-13},
      {"Mavro", 61, 50, 2.00185600000000, 0.000429123454003053, 0.937989183438248, 1e-12},
      {"Lottery", 7, 218, 518.958715596330, 291.699727470969, -0.120948622967393, 1e-13},
      {"Lew", 7, 200, -177.435000000000, 277.332168044316, -0.307304800605679, 1e-13},
      {"PiDigits", 61, 5000, 4.53480000000000, 2.86733906028871, -0.00355099287237972, 1e-13},
      {"NumAcc1", 61, 3, 10000002, 1, -0.5, 1e-15},
      {"NumAcc2", 61, 1001, 1.2, 0.1, -0.999, 1e-13},
      {"NumAcc3", 61, 1001, 1000000.2, 0.1, -0.999, 1e-9},
      {"NumAcc4", 61, 1001, 10000000.2, 0.1, -0.999, 1e-8}};
  for (const auto& row : table) {
    INFO(row.set);
    const auto values = nist::univariate(row.set, row.line);
    REQUIRE(values.size() == row.n);
    CHECK(close(mean(values), row.mean, 1e-14));
    CHECK(close(standard_deviation(values), row.sd, row.tolerance));
    CHECK(close(autocorrelation(values), row.r1, std::max(row.tolerance, 2e-12)));
  }
}

TEST_CASE("median and MAD of the NIST sets", "[statistics]") {
  struct Row {
    const char* set;
    double median, mad;
  };
  // Recomputed with numpy/scipy.
  for (const auto& row : {Row{"Michelso", 299.85, 0.045}, Row{"Mavro", 2.0018, 0.0003},
                          Row{"PiDigits", 5.0, 3.0}, Row{"NumAcc2", 1.2, 0.1}}) {
    INFO(row.set);
    const auto values = nist::univariate(row.set, 61);
    CHECK(std::fabs(median(values) - row.median) < 1e-12);
    CHECK(std::fabs(median_absolute_deviation(values) - row.mad) < 1e-12);
  }
}

TEST_CASE("c4 agrees with the control-chart tables and the sd with c4", "[statistics]") {
  // NIST e-Handbook 6.3.2 (citation from memory), recomputed.
  const std::pair<std::size_t, double> table[] = {
      {2, 0.7978845608},  {3, 0.8862269255},  {4, 0.9213177319},  {5, 0.9399856030},
      {10, 0.9726592741}, {25, 0.9896403756}, {100, 0.9974779761}};
  for (const auto& [n, c4] : table) CHECK(close(sd_bias_factor(n), c4, 1e-10));
  CHECK(close(sd_bias_factor(1001), std::sqrt(999.0 / 1000.0) / sd_bias_factor(1000), 1e-12));
  CHECK(std::isnan(sd_bias_factor(1)));

  // E[s] = c4 sigma and E[max - min] = d2 sigma over samples of 5.
  constexpr std::size_t trials = 40000;
  double sd_sum = 0.0;
  double range_sum = 0.0;
  for (std::size_t t = 0; t < trials; ++t) {
    const auto sample = gaussian(5, t);
    sd_sum += standard_deviation(sample);
    const auto [low, high] = std::minmax_element(sample.begin(), sample.end());
    range_sum += *high - *low;
  }
  // sd(s) = sqrt(1 - c4^2) = 0.341, sd(range) = 0.864: five standard errors.
  CHECK(std::fabs(sd_sum / trials - 0.9399856030) < 5 * 0.341 / 200.0);
  CHECK(std::fabs(range_sum / trials - 2.3259289473) < 5 * 0.864 / 200.0);
}

TEST_CASE("constants of Gaussian consistency", "[statistics]") {
  CHECK(mad_to_sigma == 1.482602218505602);  // 1/Phi^-1(3/4)
  CHECK(close(0.5 * std::erfc(-1.0 / mad_to_sigma / std::sqrt(2.0)), 0.75, 1e-15));
  CHECK(close(fwhm_over_sigma, 2.0 * std::sqrt(2.0 * std::log(2.0)), 1e-15));
}

TEST_CASE("small-sample factor of the MAD", "[statistics]") {
  // Own Monte Carlo of the reference table (4e6 trials), s.e. 3e-4; the published
  // table agrees to 1e-3. Above 10 the formula n/(n-0.8) is good to 0.5%.
  const std::pair<std::size_t, double> table[] = {{2, 1.19515}, {3, 1.48626}, {4, 1.36049},
                                                  {5, 1.21686}, {6, 1.18943}, {7, 1.13803},
                                                  {8, 1.12755}, {9, 1.10144}, {10, 1.09615}};
  for (const auto& [n, factor] : table) CHECK(std::fabs(mad_bias_factor(n) - factor) < 2.5e-3);
  for (const auto& [n, factor] : {std::pair<std::size_t, double>{12, 1.07601},
                                  {20, 1.04269},
                                  {50, 1.01585},
                                  {100, 1.00789}}) {
    CHECK(close(mad_bias_factor(n), factor, 5e-3));
  }
  CHECK(std::isnan(mad_bias_factor(1)));
  constexpr std::size_t trials = 20000;
  for (const std::size_t n : {std::size_t{3}, std::size_t{5}, std::size_t{8}}) {
    double sum = 0.0;
    double squares = 0.0;
    for (std::size_t t = 0; t < trials; ++t) {
      const double sigma = robust_sigma(gaussian(n, 1000000 * n + t));
      sum += sigma;
      squares += sigma * sigma;
    }
    const double average = sum / trials;
    const double error = std::sqrt((squares / trials - average * average) / trials);
    CHECK(std::fabs(average - 1.0) < 4.0 * error + 1.5e-3);
  }
}

TEST_CASE("biweight location and scale", "[statistics]") {
  // Beers, Flynn & Gebhardt 1990; the first location is also printed by a third party's test.
  const std::vector<double> five{1, 3, 5, 500, 2};
  CHECK(close(biweight_location(five), 2.745611743484481, 1e-12));
  CHECK(close(biweight_scale(five), 1.7099256207206472, 1e-12));
  CHECK(close(biweight_location(rosner), 2.070811457134, 1e-12));
  CHECK(close(biweight_scale(rosner), 0.954789916757, 1e-11));
  CHECK(biweight_location(std::vector<double>{4, 4, 4, 9}) == 4.0);
  CHECK(biweight_scale(std::vector<double>{4, 4, 4, 9}) == 0.0);
  // Not Fisher-consistent: 1.0091786621 sigma for c = 9 at the Gaussian.
  CHECK(std::fabs(biweight_scale(gaussian(200000, 7)) - 1.0091786621) <
        5 * 0.72 / std::sqrt(200000.0));
}

TEST_CASE("Algorithm A of ISO 13528", "[statistics]") {
  // Data of AMC, Analyst 1989, 114, 1693; results recomputed.
  const auto small = huber_algorithm_a(std::vector<double>{4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9});
  CHECK(close(small.location, 5.386489230096, 1e-9));
  CHECK(close(small.scale, 1.145956920383, 1e-9));
  const auto large = huber_algorithm_a(rosner);
  CHECK(close(large.location, 2.193916242676, 1e-9));
  CHECK(close(large.scale, 0.908830789390, 1e-9));
  CHECK(huber_algorithm_a(std::vector<double>{3, 3, 3}).location == 3.0);
  CHECK(huber_algorithm_a(std::vector<double>{3, 3, 3}).scale == 0.0);
}

TEST_CASE("noise from second differences with a gap", "[statistics]") {
  // Stoehr et al. 2008: 0.6052697 median|2x_i - x_{i-2} - x_{i+2}|.
  const std::vector<float> one_difference{0, 0, 1, 0, 0};
  CHECK(close(noise_from_differences(one_difference), 2.0 * 0.605269821143, 1e-11));
  std::vector<float> ramp(500);
  for (std::size_t i = 0; i < ramp.size(); ++i) ramp[i] = 0.25F * static_cast<float>(i) - 7.0F;
  CHECK(noise_from_differences(ramp) == 0.0);
  RandomStream random(5, 2, 0);
  std::vector<float> noisy(100000);
  for (std::size_t i = 0; i < noisy.size(); ++i) {
    noisy[i] = static_cast<float>(0.01 * static_cast<double>(i) + 3.0 * random.normal());
  }
  noisy[500] = std::numeric_limits<float>::quiet_NaN();
  CHECK(std::fabs(noise_from_differences(noisy) / 3.0 - 1.0) < 0.02);
  CHECK(std::isnan(noise_from_differences(std::vector<float>{1, 2, 3, 4})));
}

TEST_CASE("clipping of the Rosner data", "[statistics]") {
  struct Row {
    double kappa;
    bool median, mad;
    int passes;
    std::size_t kept;
    double mean, sd;
  };
  // Recomputed with astropy.stats.sigma_clip; sd with denominator n.
  const Row table[] = {{3.0, false, false, 100, 53, 2.251132075472, 1.066550886679},
                       {3.0, true, false, 100, 51, 2.128431372549, 0.884933524808},
                       {3.0, true, true, 100, 48, 2.080416666667, 0.694430097074},
                       {3.0, false, true, 100, 49, 2.125714285714, 0.755567093416},
                       {2.5, false, false, 100, 48, 2.080416666667, 0.694430097074},
                       {2.5, true, false, 100, 48, 2.080416666667, 0.694430097074},
                       {2.5, true, true, 100, 48, 2.080416666667, 0.694430097074},
                       {2.5, false, true, 100, 48, 2.080416666667, 0.694430097074},
                       {2.0, false, false, 100, 42, 1.955714285714, 0.524191635519},
                       {3.0, false, false, 1, 53, 0, 0},
                       {3.0, true, true, 1, 50, 0, 0},
                       {2.5, false, false, 1, 51, 0, 0},
                       {2.5, true, true, 1, 48, 0, 0},
                       {2.0, false, false, 1, 50, 0, 0}};
  for (const auto& row : table) {
    INFO(row.kappa << " median " << row.median << " mad " << row.mad << " passes " << row.passes);
    const auto result =
        sigma_clipped(rosner, {row.kappa, row.kappa, row.passes, row.median, row.mad});
    CHECK(result.kept == row.kept);
    if (row.sd > 0.0) {
      CHECK(close(result.mean, row.mean, 1e-11));
      CHECK(close(result.sd, row.sd, 1e-11));
    }
  }
}

TEST_CASE("no value of ten can lie beyond three of their own sigmas", "[statistics]") {
  // Shiffler 1988: the largest z is (n-1)/sqrt(n) with the n-1 sd, sqrt(n-1) with the n one.
  const std::pair<std::size_t, double> table[] = {
      {3, 1.154701}, {8, 2.474874}, {10, 2.846050}, {11, 3.015113}, {20, 4.248529}};
  for (const auto& [n, z] : table) {
    std::vector<double> values(n, 0.0);
    values.back() = 1.0;
    CHECK(std::fabs((1.0 - mean(values)) / standard_deviation(values) - z) < 1e-6);
  }
  const auto survivors = [](std::size_t n) {
    std::vector<double> values(n);
    for (std::size_t i = 0; i < n; ++i) values[i] = 1e-6 * static_cast<double>(i % 3);
    values[4] = 1000.0;
    return sigma_clipped(values, {3.0, 3.0, 50, false, false}).kept;
  };
  CHECK(survivors(10) == 10);
  CHECK(survivors(12) == 11);
}

TEST_CASE("clipping to convergence reaches its fixed point", "[statistics]") {
  // s = sd of N(0,1) cut at +-k s: 0.9365574133 for k = 2.5, 0.9848461864 for k = 3.
  const auto values = gaussian(300000, 99);
  CHECK(std::fabs(sigma_clipped(values, {2.5, 2.5, 200, false, false}).sd - 0.9365574133) < 3e-3);
  CHECK(std::fabs(sigma_clipped(values, {3.0, 3.0, 200, false, false}).sd - 0.9848461864) < 3e-3);
  CHECK(sigma_clipped(values, {1.0, 1.0, 100000, true, false}).kept >= 1);
}

TEST_CASE("quantiles, medians and the edges of all", "[statistics]") {
  std::vector<double> four{4, 1, 3, 2};
  CHECK(median(four) == 2.5);
  CHECK(quantile_in_place(four, 0.0) == 1.0);
  CHECK(quantile_in_place(four, 1.0) == 4.0);
  CHECK(quantile_in_place(four, 0.25) == 1.75);  // Hyndman & Fan type 7 by hand
  CHECK(close(quantile_in_place(four, 0.9), 3.7, 1e-15));
  CHECK(std::isnan(quantile_in_place(four, 1.5)));
  const std::vector<float> big{3e38F, 3.2e38F};
  CHECK(median(big) == 3.1e38F);
  const std::vector<double> none;
  CHECK(std::isnan(mean(none)));
  CHECK(std::isnan(median(none)));
  CHECK(std::isnan(standard_deviation(std::vector<double>{1.0})));
  CHECK(std::isnan(median_absolute_deviation(none)));
  CHECK(std::isnan(robust_sigma(std::vector<double>{1.0})));
  CHECK(std::isnan(biweight_location(none)));
  CHECK(std::isnan(huber_algorithm_a(none).location));
  CHECK(sigma_clipped(none, {}).kept == 0);
  CHECK(std::isnan(sigma_clipped(none, {}).mean));
  // Half the values equal: the MAD is zero and must not cut everything else.
  const auto half =
      sigma_clipped(std::vector<double>{5, 5, 5, 5, 4.9, 5.1, 5.2}, {3, 3, 20, true, true});
  CHECK(half.kept == 7);
  const float nan = std::numeric_limits<float>::quiet_NaN();
  CHECK(drop_non_finite(std::vector<float>{1, nan, 2, std::numeric_limits<float>::infinity()}) ==
        std::vector<double>{1, 2});
}
