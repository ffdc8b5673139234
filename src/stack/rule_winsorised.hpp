/// \file
/// Limits from a Winsorised centre and scale: Huber's proposal 2 in the form of ISO 13528
/// Algorithm A (Analytical Methods Committee 1989, Analyst 114, 1693).
#pragma once

#include <cmath>
#include <vector>

#include "rule_kappa_sigma.hpp"
#include "sorted_samples.hpp"

namespace coldframe::stack::detail {

struct WinsorisedEstimate {
  double centre = 0.0;
  double scale = 0.0;
};

class RuleWinsorised {
 public:
  RuleWinsorised(double kappa_low, double kappa_high, std::size_t max_samples)
      : kappa_low_(kappa_low),
        kappa_high_(kappa_high),
        first_(max_samples + 1),
        second_(max_samples + 1) {}

  [[nodiscard]] Kept operator()(const SortedSamples& samples) noexcept {
    const Kept all{0, samples.size()};
    if (samples.size() < 3) return all;
    const WinsorisedEstimate e = estimate(samples);
    const Kept kept =
        samples.within(all, e.centre - kappa_low_ * e.scale, e.centre + kappa_high_ * e.scale);
    return kept.first < kept.last ? kept : all;
  }

  /// Runs Algorithm A until it settles. `samples` must hold at least 3.
  [[nodiscard]] WinsorisedEstimate estimate(const SortedSamples& samples) noexcept {
    const std::size_t n = samples.size();
    const Kept all{0, n};
    const double pivot = samples.median(all);
    accumulate(samples, pivot);
    double centre = pivot;
    double scale = mad_to_sigma * samples.absolute_deviation(all, pivot);
    if (!(scale > 0.0)) scale = mean_absolute_scale(samples, all, pivot);
    Kept core = all;
    for (int pass = 0; pass < 50 && scale > 0.0; ++pass) {
      const double low = centre - 1.5 * scale;
      const double high = centre + 1.5 * scale;
      core = moved(samples, core, low, high);
      const WinsorisedEstimate next = winsorised(core, n, low - pivot, high - pivot);
      const bool settled = std::fabs(next.scale - scale) <= 1e-5 * scale;
      centre = pivot + next.centre;
      scale = next.scale;
      if (settled) break;
    }
    return {centre, scale};
  }

 private:
  void accumulate(const SortedSamples& samples, double pivot) noexcept {
    double sum = 0.0;
    double squares = 0.0;
    for (std::size_t k = 0; k < samples.size(); ++k) {
      const double d = samples[k] - pivot;
      sum += d;
      squares += d * d;
      first_[k + 1] = sum;
      second_[k + 1] = squares;
    }
  }
  /// The samples strictly inside the limits, found by walking from where they were before.
  static Kept moved(const SortedSamples& samples, Kept core, double low, double high) noexcept {
    const std::size_t n = samples.size();
    while (core.first > 0 && samples[core.first - 1] >= low) --core.first;
    while (core.first < n && samples[core.first] < low) ++core.first;
    core.last = core.last > core.first ? core.last : core.first;
    while (core.last < n && samples[core.last] <= high) ++core.last;
    while (core.last > core.first && samples[core.last - 1] > high) --core.last;
    return core;
  }
  [[nodiscard]] WinsorisedEstimate winsorised(Kept core, std::size_t n, double low,
                                              double high) const noexcept {
    constexpr double consistency = 1.134;  // for limits at 1.5 sigma, as the standard prints it
    const auto count = static_cast<double>(n);
    const auto below = static_cast<double>(core.first);
    const auto above = static_cast<double>(n - core.last);
    const double sum = first_[core.last] - first_[core.first] + below * low + above * high;
    const double squares =
        second_[core.last] - second_[core.first] + below * low * low + above * high * high;
    const double mean = sum / count;
    const double variance = (squares - sum * mean) / (count - 1.0);
    return {mean, consistency * std::sqrt(variance > 0.0 ? variance : 0.0)};
  }

  double kappa_low_;
  double kappa_high_;
  std::vector<double> first_;   ///< sums of the first k samples about the median
  std::vector<double> second_;  ///< sums of squares
};

}  // namespace coldframe::stack::detail
