/// \file
/// The default rule: each sample against the robust centre, with its own predicted variance.
///
/// sd_i^2 = var_i(centre) + var(median) + (seeing_share * signal)^2. The noise is known, not
/// estimated from the same few samples, so it is sound from three subs on. The
/// seeing term spares the cores of stars, which differ between subs by shape and not by noise.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <vector>

#include "segment.hpp"

namespace coldframe::stack::detail {

/// Variance of the median of n Gaussian samples in units of theirs: asymptotically
/// pi / (2n), corrected for small odd and even n (fits the exact integrals to 0.5%).
[[nodiscard]] inline double median_variance(std::size_t n) noexcept {
  constexpr double half_pi = 1.5707963267948966;
  if (n <= 2) return n == 2 ? 0.5 : 1.0;
  const auto count = static_cast<double>(n);
  return half_pi / (count + (n % 2 == 1 ? 0.48 : 1.38 - 0.46 / count));
}

/// The usable samples of one pixel, in the order of the subs.
struct PixelSamples {
  std::vector<float> values;
  std::vector<const BlockSub*> subs;
  std::vector<std::uint8_t> kept;
  std::vector<float> sorted;  ///< scratch

  void clear() noexcept {
    values.clear();
    subs.clear();
  }
  void add(float value, const BlockSub& sub) {
    values.push_back(value);
    subs.push_back(&sub);
  }
};

struct RuleNoiseModel {
  double kappa_low = 4.0;
  double kappa_high = 4.0;
  double seeing_share = 0.25;
  double sky_level = 0.0;
  int max_iterations = 5;

  /// Sets `kept`. Every pass judges all samples anew, so one that the first centre
  /// (pulled by outliers) cut wrongly comes back.
  void operator()(PixelSamples& p) const {
    p.kept.assign(p.values.size(), 1);
    if (p.values.size() < 2) return;
    for (int pass = 0; pass < max_iterations; ++pass) {
      if (!judge(p, centre(p))) return;
    }
  }

 private:
  [[nodiscard]] double mean_variance(const PixelSamples& p, double level) const noexcept {
    double sum = 0.0;
    double count = 0.0;
    for (std::size_t i = 0; i < p.values.size(); ++i) {
      if (p.kept[i] == 0) continue;
      sum += p.subs[i]->variance(level);
      count += 1.0;
    }
    return sum / count;
  }
  [[nodiscard]] double seeing_variance(double level) const noexcept {
    const double signal = std::max(level - sky_level, 0.0) * seeing_share;
    return signal * signal;
  }
  /// Median of the kept samples. When the two middle ones of an even number contradict each
  /// other, the lower: what spoils a sample adds light.
  [[nodiscard]] double centre(PixelSamples& p) const {
    p.sorted.clear();
    for (std::size_t i = 0; i < p.values.size(); ++i) {
      if (p.kept[i] != 0) p.sorted.push_back(p.values[i]);
    }
    const auto half = static_cast<std::ptrdiff_t>(p.sorted.size() / 2);
    const auto middle = p.sorted.begin() + half;
    std::nth_element(p.sorted.begin(), middle, p.sorted.end());
    const auto upper = static_cast<double>(*middle);
    if (p.sorted.size() % 2 == 1) return upper;
    const auto lower = static_cast<double>(*std::max_element(p.sorted.begin(), middle));
    const double gap = upper - lower;
    const double spread = 2.0 * mean_variance(p, lower) + seeing_variance(lower);
    return gap * gap > kappa_high * kappa_high * spread ? lower : 0.5 * (lower + upper);
  }
  /// True when the set of survivors changed.
  [[nodiscard]] bool judge(PixelSamples& p, double level) const noexcept {
    const auto count = static_cast<std::size_t>(std::count(p.kept.begin(), p.kept.end(), 1));
    const double average = mean_variance(p, level);
    const double extra = average * median_variance(count) + seeing_variance(level);
    if (!(average > 0.0)) return false;  // no noise model here: nothing to judge by
    const auto good = [&](std::size_t i) {
      const double d = static_cast<double>(p.values[i]) - level;
      const double kappa = d < 0.0 ? kappa_low : kappa_high;
      return d * d <= kappa * kappa * (p.subs[i]->variance(level) + extra);
    };
    bool any = false;
    for (std::size_t i = 0; i < p.values.size(); ++i) any = any || good(i);
    if (!any) return false;
    bool changed = false;
    for (std::size_t i = 0; i < p.values.size(); ++i) {
      const std::uint8_t now = good(i) ? 1 : 0;
      changed = changed || now != p.kept[i];
      p.kept[i] = now;
    }
    return changed;
  }
};

}  // namespace coldframe::stack::detail
