/// \file
/// Generalised extreme Studentised deviate (Rosner 1983, Technometrics 25, 165): takes out
/// the most deviant sample again and again, then decides how many of them were outliers.
/// It is the largest count whose statistic exceeds its limit, so outliers cannot hide each other.
#pragma once

#include <cmath>
#include <vector>

#include "sorted_samples.hpp"
#include "student_t.hpp"

namespace coldframe::stack::detail {

/// Critical values lambda_1 .. lambda_most for n samples.
[[nodiscard]] inline std::vector<double> esd_limits(std::size_t n, std::size_t most, double alpha) {
  std::vector<double> limits;
  for (std::size_t i = 1; i <= most; ++i) {
    const auto left = static_cast<double>(n - i + 1);
    const int degrees = static_cast<int>(n - i - 1);
    const double t = student_quantile(alpha / left, degrees);
    limits.push_back((left - 1.0) * t / std::sqrt((left - 2.0 + t * t) * left));
  }
  return limits;
}

class RuleEsd {
 public:
  RuleEsd(double alpha, double max_fraction, std::size_t max_samples)
      : alpha_(alpha), max_fraction_(max_fraction), limits_(max_samples + 1) {}

  [[nodiscard]] Kept operator()(const SortedSamples& samples) {
    const std::size_t n = samples.size();
    const std::size_t most = most_outliers(n);
    Kept kept{0, n};
    if (most == 0) return kept;
    if (limits_[n].empty()) limits_[n] = esd_limits(n, most, alpha_);
    return search(samples, limits_[n]);
  }

  /// The largest run that survives; `limits` are the critical values for this count.
  [[nodiscard]] static Kept search(const SortedSamples& samples,
                                   const std::vector<double>& limits) noexcept {
    Kept kept{0, samples.size()};
    each_deviate(samples, limits.size(),
                 [&](std::size_t i, double deviation, double sd, Kept left) {
                   if (deviation > limits[i] * sd) kept = left;
                 });
    return kept;
  }

  /// Takes out the most deviant sample `most` times and tells how far it lay from the mean, the
  /// standard deviation then (their ratio is Rosner's R), and what is left.
  template <typename Visit>
  static void each_deviate(const SortedSamples& samples, std::size_t most, Visit&& visit) noexcept {
    Kept part{0, samples.size()};
    const double pivot = samples.median(part);
    double sum = 0.0;
    double squares = 0.0;
    for (std::size_t k = 0; k < samples.size(); ++k) {
      const double d = samples[k] - pivot;
      sum += d;
      squares += d * d;
    }
    for (std::size_t i = 0; i < most; ++i) {
      const auto count = static_cast<double>(part.last - part.first);
      const double mean = sum / count;
      const double variance = (squares - sum * mean) / (count - 1.0);
      if (!(variance > 0.0)) break;
      const double low = samples[part.first] - pivot;
      const double high = samples[part.last - 1] - pivot;
      const bool cut_high = high - mean >= mean - low;
      const double d = cut_high ? high : low;
      cut_high ? --part.last : ++part.first;
      visit(i, std::fabs(d - mean), std::sqrt(variance), part);
      sum -= d;
      squares -= d * d;
    }
  }

 private:
  [[nodiscard]] std::size_t most_outliers(std::size_t n) const noexcept {
    if (n < 4) return 0;
    const auto share = static_cast<std::size_t>(max_fraction_ * static_cast<double>(n));
    return share < n - 3 ? share : n - 3;
  }
  double alpha_;
  double max_fraction_;
  std::vector<std::vector<double>> limits_;  ///< per count of samples, filled when first needed
};

}  // namespace coldframe::stack::detail
