#include "sim/noise.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/statistics.hpp"
#include "near.hpp"

using namespace coldframe;
using namespace coldframe::sim;

namespace {

/// 2^20 words spread evenly over all 32-bit words: an integral instead of a sample.
constexpr std::uint32_t strata = 1U << 20U;
constexpr std::uint32_t word_of(std::uint32_t i) { return (i << 12U) + (1U << 11U); }

struct Moments {
  double mean = 0.0, variance = 0.0, skewness = 0.0, fourth = 0.0;
};
template <typename Sample>
Moments moments(const Sample& sample) {
  Moments m;
  for (std::uint32_t i = 0; i < strata; ++i) m.mean += sample(word_of(i));
  m.mean /= strata;
  for (std::uint32_t i = 0; i < strata; ++i) {
    const double d = sample(word_of(i)) - m.mean;
    m.variance += d * d;
    m.skewness += d * d * d;
    m.fourth += d * d * d * d;
  }
  m.variance /= strata;
  m.skewness /= strata * std::pow(m.variance, 1.5);
  m.fourth /= strata * m.variance * m.variance;
  return m;
}

}  // namespace

TEST_CASE("normal quantiles agree with published values") {
  // Standard tables of the normal distribution.
  CHECK(normal_quantile(0.5) == Near(0.0).margin(1e-8));
  CHECK(normal_quantile(0.975) == Near(1.959963984540054).epsilon(1e-8));
  CHECK(normal_quantile(0.75) == Near(1.0 / mad_to_sigma).epsilon(1e-8));
  CHECK(normal_quantile(1e-9) == Near(-5.997807015).epsilon(1e-8));
}

TEST_CASE("normal samples have the moments of a normal distribution") {
  const NormalTable& table = NormalTable::shared();
  const auto m = moments([&](std::uint32_t w) { return static_cast<double>(table.sample(w)); });
  CHECK(std::abs(m.mean) < 1e-5);
  CHECK(m.variance == Near(1.0).margin(2e-4));
  CHECK(std::abs(m.skewness) < 1e-4);
  CHECK(m.fourth == Near(3.0).margin(2e-3));
  // Interpolation against the exact quantile, tails included.
  for (const double p : {1e-6, 0.001, 0.0041, 0.02, 0.3, 0.7, 0.9958, 0.99999}) {
    const auto word = static_cast<std::uint32_t>(p * 0x1.0p32);
    CHECK(static_cast<double>(table.sample(word)) == Near(normal_quantile(p)).margin(2e-4));
  }
}

TEST_CASE("Poisson samples have mean, variance and skewness of a Poisson distribution") {
  const NormalTable& table = NormalTable::shared();
  for (const float mean : {0.02F, 0.5F, 2.4F, 10.0F, 29.9F, 30.1F, 100.0F, 1000.0F, 60000.0F}) {
    CAPTURE(mean);
    const auto m = moments(
        [&](std::uint32_t w) { return static_cast<double>(poisson_sample(mean, w, table)); });
    const double truth = static_cast<double>(mean);
    // Johnson, Kemp & Kotz: mean = variance = lambda, skewness lambda^-1/2, kurtosis 3 + 1/lambda.
    CHECK(std::abs(m.mean - truth) < 1e-3 * std::sqrt(truth));
    CHECK(m.variance / truth == Near(1.0).margin(1e-3));
    CHECK(m.skewness == Near(1.0 / std::sqrt(truth)).margin(3e-3));
    CHECK(m.fourth == Near(3.0 + 1.0 / truth).epsilon(6e-3));
  }
}

TEST_CASE("Poisson distribution function near the switch of methods") {
  const NormalTable& table = NormalTable::shared();
  const float mean = 31.0F;
  REQUIRE(mean > poisson_switch);
  std::vector<double> counted(120, 0.0);
  for (std::uint32_t i = 0; i < strata; ++i) {
    counted[static_cast<std::size_t>(poisson_sample(mean, word_of(i), table))] += 1.0 / strata;
  }
  double term = std::exp(-static_cast<double>(mean));
  double exact = 0.0;
  double seen = 0.0;
  double worst = 0.0;
  for (std::size_t k = 0; k < counted.size(); ++k) {
    if (k > 0) term *= static_cast<double>(mean) / static_cast<double>(k);
    exact += term;
    seen += counted[k];
    worst = std::max(worst, std::abs(exact - seen));
  }
  CHECK(worst < 1.5e-3);
  CHECK(poisson_sample(0.0F, 12345U, table) == 0.0F);
  CHECK(poisson_sample(-1.0F, 12345U, table) == 0.0F);
}

TEST_CASE("rows, frames and seeds are independent and repeatable") {
  const NormalTable& table = NormalTable::shared();
  constexpr std::size_t n = 100001;  // odd: the last pair is half
  const auto draw = [&](std::uint64_t seed, std::uint32_t frame, std::uint32_t row) {
    std::vector<float> electrons(n, 400.0F);
    std::vector<float> read(n);
    sample_row({seed, frame, row}, electrons, read, table);
    for (float& e : electrons) e = (e - 400.0F) / 20.0F;
    return std::pair{electrons, read};
  };
  const auto correlation = [](const std::vector<float>& a, const std::vector<float>& b,
                              std::size_t lag) {
    double sum = 0.0;
    for (std::size_t i = lag; i < a.size(); ++i)
      sum += static_cast<double>(a[i]) * static_cast<double>(b[i - lag]);
    return sum / static_cast<double>(a.size());
  };
  const auto [photons, read] = draw(1, 5, 9);
  CHECK(draw(1, 5, 9).first == photons);
  const double limit = 4.5 / std::sqrt(static_cast<double>(n));  // 4.5 sigma of no correlation
  CHECK(std::abs(correlation(photons, photons, 1)) < limit);
  CHECK(std::abs(correlation(photons, photons, 2)) < limit);
  CHECK(std::abs(correlation(read, read, 1)) < limit);
  CHECK(std::abs(correlation(photons, read, 0)) < limit);
  CHECK(std::abs(correlation(photons, draw(1, 5, 10).first, 0)) < limit);
  CHECK(std::abs(correlation(photons, draw(1, 6, 9).first, 0)) < limit);
  CHECK(std::abs(correlation(photons, draw(2, 5, 9).first, 0)) < limit);
  CHECK(correlation(photons, photons, 0) == Near(1.0).margin(0.02));
}
