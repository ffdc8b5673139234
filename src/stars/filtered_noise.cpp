#include "stars/filtered_noise.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <optional>

namespace coldframe::stars {
namespace {

/// Distribution of the filtered values, for the check of their noise.
class NoiseCheck {
 public:
  void add(float value) noexcept {
    const float position = (value + 6.0F) * 50.0F;
    if (position >= 0.0F && position < 600.0F) ++counts_[static_cast<std::size_t>(position)];
  }
  void add(const NoiseCheck& other) noexcept {
    for (std::size_t i = 0; i < counts_.size(); ++i) counts_[i] += other.counts_[i];
  }
  /// Zero and noise from the lower side, which sources do not widen: median and the median minus
  /// the 15.87% point, then a parabola through the logarithm of the counts there. A Gaussian's
  /// logarithm is one whatever share of the pixels it holds, while the wings of stars between the
  /// quantiles push those apart.
  [[nodiscard]] FilteredNoise measure() const noexcept {
    const double mid = quantile(0.5);
    FilteredNoise noise{0.0, mid - quantile(0.158655253931)};
    double centre = mid;
    double sigma = noise.sigma;
    for (int round = 0; round < 3 && sigma > 0.0; ++round) {
      const auto next = lower_flank(centre, sigma);
      if (!next) return noise;
      centre = std::clamp(next->zero, mid - 0.5 * noise.sigma, mid);
      sigma = std::clamp(next->sigma, 0.9 * noise.sigma, noise.sigma);
    }
    return {std::clamp(centre, -0.3 * sigma, 0.0), sigma};
  }

 private:
  [[nodiscard]] double quantile(double q) const noexcept {
    double total = 0.0;
    for (const auto n : counts_) total += static_cast<double>(n);
    double below = 0.0;
    for (std::size_t i = 0; i < counts_.size(); ++i) {
      const auto n = static_cast<double>(counts_[i]);
      if (n > 0.0 && below + n >= q * total) {
        return (static_cast<double>(i) + (q * total - below) / n) / 50.0 - 6.0;
      }
      below += n;
    }
    return 0.0;
  }
  /// Weighted least squares of ln(count) from 2.5 sigma below the centre to just above it.
  [[nodiscard]] std::optional<FilteredNoise> lower_flank(double centre,
                                                         double sigma) const noexcept {
    constexpr double least = 4000.0;  // values; fewer leave sigma uncertain by more than it gains
    std::array<double, 5> t{};        // sums of weight * u^k
    std::array<double, 3> r{};        // sums of weight * ln(count) * u^k
    for (std::size_t i = 0; i < counts_.size(); ++i) {
      const auto n = static_cast<double>(counts_[i]);
      const double u = ((static_cast<double>(i) + 0.5) / 50.0 - 6.0 - centre) / sigma;
      if (n < 5.0 || u < -2.5 || u > 0.25) continue;
      double power = n;
      for (std::size_t k = 0; k < t.size(); ++k, power *= u) {
        t[k] += power;
        if (k < r.size()) r[k] += power * std::log(n);
      }
    }
    if (t[0] < least) return std::nullopt;
    // Normal equations of a parabola, orthogonalised step by step.
    const double s11 = t[2] - t[1] * t[1] / t[0];
    const double s12 = t[3] - t[1] * t[2] / t[0];
    const double s22 = t[4] - t[2] * t[2] / t[0];
    const double r1 = r[1] - t[1] * r[0] / t[0];
    const double r2 = r[2] - t[2] * r[0] / t[0];
    const double det = s11 * s22 - s12 * s12;
    if (!(det > 0.0)) return std::nullopt;
    const double slope = (r1 * s22 - r2 * s12) / det;
    const double bend = (r2 * s11 - r1 * s12) / det;
    if (!(bend < 0.0)) return std::nullopt;
    return FilteredNoise{centre - sigma * slope / (2.0 * bend), sigma / std::sqrt(-2.0 * bend)};
  }
  std::array<std::uint32_t, 600> counts_{};
};

}  // namespace

FilteredNoise measured_noise(const Grid<float>& values) {
  NoiseCheck check;
  for (int y = 1; y < values.height(); y += 5) {
    const auto row = values.row(y);
    for (std::size_t x = 3; x < row.size(); x += 7) {
      if (row[x] != 0.0F) check.add(row[x]);  // zero: no signal here, or a band left out
    }
  }
  const FilteredNoise noise = check.measure();
  if (!(noise.sigma > 0.0)) return {};
  return {noise.zero, std::clamp(noise.sigma, 0.5, 5.0)};
}

}  // namespace coldframe::stars
