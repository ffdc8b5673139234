/// \file
/// Fast samplers of the simulator's noise. One 32-bit word gives one sample, so
/// that one Philox block serves two pixels (photons and read-out of each).
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

namespace coldframe::sim {

/// Purposes of the random streams; a stream belongs to (seed, purpose, index).
namespace stream {
inline constexpr std::uint32_t pixel_noise = 1;
inline constexpr std::uint32_t row_noise = 2;
inline constexpr std::uint32_t column_noise = 3;
inline constexpr std::uint32_t cosmic_rays = 4;
inline constexpr std::uint32_t telegraph_state = 5;
inline constexpr std::uint32_t trails = 6;
inline constexpr std::uint32_t field_stars = 10;
inline constexpr std::uint32_t cluster_stars = 11;
inline constexpr std::uint32_t pixel_response = 20;
inline constexpr std::uint32_t hot_pixels = 21;
inline constexpr std::uint32_t cold_pixels = 22;
inline constexpr std::uint32_t telegraph_pixels = 23;
inline constexpr std::uint32_t dust = 24;
inline constexpr std::uint32_t bias_columns = 25;
inline constexpr std::uint32_t dark_spread = 26;
inline constexpr std::uint32_t session_draws = 30;
inline constexpr std::uint32_t header = 31;
}  // namespace stream

/// Standard normal deviates from uniform words by inversion: a table of quantiles
/// with linear interpolation (error < 2e-4 sigma), exact in the outer 0.8%.
class NormalTable {
 public:
  static constexpr unsigned index_bits = 12;
  static constexpr unsigned bins = 1U << index_bits;
  static constexpr unsigned tail_bins = 16;  ///< at each end, where the quantile bends

  NormalTable();
  [[nodiscard]] float sample(std::uint32_t word) const noexcept {
    const unsigned bin = word >> (32U - index_bits);
    if (bin < tail_bins || bin >= bins - tail_bins) return tail(word);
    const auto part = static_cast<float>(word & ((1U << (32U - index_bits)) - 1U)) *
                      (1.0F / static_cast<float>(1U << (32U - index_bits)));
    return quantiles_[bin] + part * (quantiles_[bin + 1] - quantiles_[bin]);
  }
  /// The one table of the program; it never changes.
  [[nodiscard]] static const NormalTable& shared();

 private:
  [[nodiscard]] static float tail(std::uint32_t word) noexcept;
  float quantiles_[bins + 1] = {};
};

/// Quantile of the standard normal distribution, 0 < p < 1, to about 1e-8.
[[nodiscard]] double normal_quantile(double p) noexcept;

/// Above this mean the normal expansion is used instead of exact inversion.
inline constexpr float poisson_switch = 30.0F;

/// Poisson count of a given mean. Below `poisson_switch` exact inversion, above the
/// third-order Cornish-Fisher expansion rounded to whole numbers, with the 1/12 that
/// rounding adds to the variance taken off beforehand (Cornish & Fisher 1938;
/// Sheppard's correction). Mean, variance and skewness agree to better than 1e-3.
[[nodiscard]] float poisson_sample(float mean, std::uint32_t word,
                                   const NormalTable& table) noexcept;

/// Which row of which frame is being read.
struct NoiseAddress {
  std::uint64_t seed = 0;
  std::uint32_t frame = 0;
  std::uint32_t row = 0;
};

/// For each pixel: `electrons` (in: expectation, out: Poisson count) and `read`
/// (out: standard normal deviate). Depends on the address and the pixel's x only.
void sample_row(const NoiseAddress& address, std::span<float> electrons, std::span<float> read,
                const NormalTable& table) noexcept;

}  // namespace coldframe::sim
