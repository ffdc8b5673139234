/// \file
/// Iterated clipping about the median with a robust scale: 1.4826 times the median
/// absolute deviation, with the small-sample factor. Mean and standard deviation of the same
/// samples would not do: no sample can be further than (n-1)/sqrt(n) of them
/// away (Shiffler 1988, Am. Stat. 42, 79), so 3 sigma rejects nothing up to n = 10.
#pragma once

#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "sorted_samples.hpp"

namespace coldframe::stack::detail {

/// Scale when more than half of the samples are equal (whole numbers of a quiet camera):
/// the mean absolute deviation, consistent for a Gaussian.
inline double mean_absolute_scale(const SortedSamples& samples, Kept part, double centre) noexcept {
  constexpr double to_sigma = 1.2533141373155003;  // sqrt(pi / 2)
  double sum = 0.0;
  for (std::size_t k = part.first; k < part.last; ++k) sum += std::fabs(samples[k] - centre);
  return to_sigma * sum / static_cast<double>(part.last - part.first);
}

struct RuleKappaSigma {
  double kappa_low = 4.0;
  double kappa_high = 4.0;
  int max_iterations = 5;

  [[nodiscard]] Kept operator()(const SortedSamples& samples) const noexcept {
    Kept kept{0, samples.size()};
    for (int pass = 0; pass < max_iterations && kept.last - kept.first > 2; ++pass) {
      const double centre = samples.median(kept);
      double scale = mad_to_sigma * samples.absolute_deviation(kept, centre) *
                     mad_bias_factor(kept.last - kept.first);
      if (!(scale > 0.0)) scale = mean_absolute_scale(samples, kept, centre);
      const Kept next =
          samples.within(kept, centre - kappa_low * scale, centre + kappa_high * scale);
      if (next == kept || next.first >= next.last) break;
      kept = next;
    }
    return kept;
  }
};

}  // namespace coldframe::stack::detail
