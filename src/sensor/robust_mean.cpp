#include "sensor/robust_mean.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

RobustMoments moments_within(std::span<const float> values, double low, double high) {
  RobustMoments result;
  double sum = 0.0;
  for (const float value : values) {
    const auto v = static_cast<double>(value);
    if (v < low || v > high) continue;
    sum += v;
    ++result.count;
  }
  if (result.count == 0) return result;
  result.mean = sum / static_cast<double>(result.count);
  double squares = 0.0;
  for (const float value : values) {
    const auto v = static_cast<double>(value);
    if (v < low || v > high) continue;
    squares += (v - result.mean) * (v - result.mean);
  }
  if (result.count > 1) result.variance = squares / static_cast<double>(result.count - 1);
  return result;
}

float at_share(std::span<float> values, double share) {
  const auto index = static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1));
  constexpr std::size_t short_list = 4096;
  if (values.size() <= short_list) return kth_smallest(values, static_cast<std::size_t>(index));
  std::nth_element(values.begin(), values.begin() + index, values.end());
  return values[static_cast<std::size_t>(index)];
}

}  // namespace

RobustMoments robust_moments_in_place(std::span<float> values, double kappa) {
  if (values.empty()) return {};
  const auto median = static_cast<double>(median_in_place(values));
  const auto p10 = static_cast<double>(at_share(values, 0.1));
  const auto p90 = static_cast<double>(at_share(values, 0.9));
  const auto p25 = static_cast<double>(at_share(values, 0.25));
  const auto p75 = static_cast<double>(at_share(values, 0.75));
  // Quantiles of the normal distribution: 0.6745 and 1.2816.
  double sigma = std::max((p75 - p25) / 1.3489795, (p90 - p10) / 2.5631031);
  if (!(sigma > 0.0)) {
    const RobustMoments all = moments_within(values, -HUGE_VAL, HUGE_VAL);
    sigma = std::sqrt(all.variance);
  }
  RobustMoments result;
  for (int pass = 0; pass < 3; ++pass) {
    result = moments_within(values, median - kappa * sigma, median + kappa * sigma);
    sigma = std::sqrt(result.variance);
    if (!(sigma > 0.0)) break;
  }
  return result;
}

}  // namespace coldframe::sensor
