#include "sim/noise.hpp"

#include <array>
#include <cmath>
#include <numbers>

#include "coldframe/core/random.hpp"

namespace coldframe::sim {

double normal_quantile(double p) noexcept {
  if (p > 0.5) return -normal_quantile(1.0 - p);
  // Start: Abramowitz & Stegun 1964, 26.2.23 (4.5e-4); then Halley's step on the tail area.
  const double t = std::sqrt(-2.0 * std::log(p));
  double z = t - (2.515517 + t * (0.802853 + t * 0.010328)) /
                     (1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308)));
  for (int step = 0; step < 2; ++step) {
    const double area = 0.5 * std::erfc(z / std::numbers::sqrt2);
    const double density = std::exp(-0.5 * z * z) * std::numbers::inv_sqrtpi / std::numbers::sqrt2;
    const double newton = (area - p) / density;
    z += newton / (1.0 + 0.5 * z * newton);
  }
  return -z;
}

NormalTable::NormalTable() {
  for (unsigned i = 1; i < bins; ++i) {
    quantiles_[i] = static_cast<float>(normal_quantile(static_cast<double>(i) / bins));
  }
  quantiles_[0] = -7.0F;  // never interpolated: the tails are exact
  quantiles_[bins] = 7.0F;
}

float NormalTable::tail(std::uint32_t word) noexcept {
  return static_cast<float>(normal_quantile((static_cast<double>(word) + 0.5) * 0x1.0p-32));
}

const NormalTable& NormalTable::shared() {
  static const NormalTable table;
  return table;
}

namespace {

float poisson_by_inversion(float mean, std::uint32_t word) noexcept {
  if (!(mean > 0.0F)) return 0.0F;
  constexpr int most = 256;  // far beyond any quantile of 2^-33 for a mean of 30
  const double uniform = (static_cast<double>(word) + 0.5) * 0x1.0p-32;
  const double m = static_cast<double>(mean);
  double term = std::exp(-m);
  double below = term;
  int k = 0;
  while (uniform > below && k < most) {
    ++k;
    term *= m / k;
    below += term;
  }
  return static_cast<float>(k);
}

float poisson_by_expansion(float mean, float z) noexcept {
  const float root = std::sqrt(mean - 1.0F / 12.0F);
  const float square = z * z;
  const float value =
      mean + root * z + (square - 1.0F) * (1.0F / 6.0F) + (z - z * square) / (72.0F * root);
  return std::floor(value + 0.5F);
}

}  // namespace

float poisson_sample(float mean, std::uint32_t word, const NormalTable& table) noexcept {
  return mean < poisson_switch ? poisson_by_inversion(mean, word)
                               : poisson_by_expansion(mean, table.sample(word));
}

void sample_row(const NoiseAddress& address, std::span<float> electrons, std::span<float> read,
                const NormalTable& table) noexcept {
  const std::array<std::uint32_t, 2> key{static_cast<std::uint32_t>(address.seed),
                                         static_cast<std::uint32_t>(address.seed >> 32U)};
  const std::size_t count = electrons.size();
  for (std::size_t x = 0; x < count; x += 2) {
    const auto words = philox4x32(
        {static_cast<std::uint32_t>(x / 2), stream::pixel_noise, address.row, address.frame}, key);
    electrons[x] = poisson_sample(electrons[x], words[0], table);
    read[x] = table.sample(words[1]);
    if (x + 1 < count) {
      electrons[x + 1] = poisson_sample(electrons[x + 1], words[2], table);
      read[x + 1] = table.sample(words[3]);
    }
  }
}

}  // namespace coldframe::sim
