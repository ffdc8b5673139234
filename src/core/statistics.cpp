#include "coldframe/core/statistics.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <type_traits>

#include "core/select_kernel.hpp"

namespace coldframe {
namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();

// The second pass removes the rounding of the first one's division and sum.
template <typename T>
double mean_of(std::span<const T> values) noexcept {
  if (values.empty()) return not_a_number;
  const auto n = static_cast<double>(values.size());
  double sum = 0.0;
  for (const T value : values) sum += static_cast<double>(value);
  const double first = sum / n;
  double rest = 0.0;
  for (const T value : values) rest += static_cast<double>(value) - first;
  return first + rest / n;
}

// Corrected two-pass sum of squares (Chan, Golub & LeVeque 1983, Am. Stat. 37, 242).
template <typename T>
double squares_about(std::span<const T> values, double centre) noexcept {
  double squares = 0.0;
  double rest = 0.0;
  for (const T value : values) {
    const double d = static_cast<double>(value) - centre;
    squares += d * d;
    rest += d;
  }
  return std::max(squares - rest * rest / static_cast<double>(values.size()), 0.0);
}

template <typename T>
double deviation_of(std::span<const T> values) noexcept {
  if (values.size() < 2) return not_a_number;
  return std::sqrt(squares_about(values, mean_of(values)) / static_cast<double>(values.size() - 1));
}

float counted_median(std::span<const float> values) noexcept {
  const std::size_t n = values.size();
  const float above = kth_smallest(values, n / 2);
  if (n % 2 == 1) return above;
  // In double, so that neither the sum of two floats nor its half can be off.
  const float below = value_before(values, above, n / 2);
  return static_cast<float>(0.5 * (static_cast<double>(below) + static_cast<double>(above)));
}

/// Lists of this length are selected from faster by counting than by moving.
bool counts_faster(std::size_t n) noexcept { return n >= 16 && n <= 4096; }

template <typename T>
T median_of(std::span<T> values) noexcept {
  if (values.empty()) return std::numeric_limits<T>::quiet_NaN();
  if constexpr (std::is_same_v<T, float>) {
    if (counts_faster(values.size())) return counted_median(values);
  }
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  const T below = *std::max_element(values.begin(), middle);
  // In double, so that neither the sum of two floats nor its half can be off.
  if constexpr (std::is_same_v<T, float>) {
    return static_cast<float>(0.5 * (static_cast<double>(below) + static_cast<double>(*middle)));
  } else {
    return below + 0.5 * (*middle - below);
  }
}

std::vector<double> deviations_from(std::span<const double> values, double centre) {
  std::vector<double> result(values.size());
  std::transform(values.begin(), values.end(), result.begin(),
                 [centre](double value) { return std::fabs(value - centre); });
  return result;
}

}  // namespace

double mean(std::span<const double> values) noexcept { return mean_of(values); }
double mean(std::span<const float> values) noexcept { return mean_of(values); }
double standard_deviation(std::span<const double> values) noexcept { return deviation_of(values); }
double standard_deviation(std::span<const float> values) noexcept { return deviation_of(values); }

double autocorrelation(std::span<const double> values) noexcept {
  if (values.empty()) return not_a_number;
  const double centre = mean_of(values);
  double products = 0.0;
  double squares = 0.0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const double d = values[i] - centre;
    squares += d * d;
    if (i + 1 < values.size()) products += d * (values[i + 1] - centre);
  }
  return squares > 0.0 ? products / squares : not_a_number;
}

double median_in_place(std::span<double> values) noexcept { return median_of(values); }
float median_in_place(std::span<float> values) noexcept { return median_of(values); }

double median(std::span<const double> values) {
  std::vector<double> copy(values.begin(), values.end());
  return median_of(std::span<double>(copy));
}

float median(std::span<const float> values) {
  std::vector<float> copy(values.begin(), values.end());
  return median_of(std::span<float>(copy));
}

double quantile_in_place(std::span<double> values, double q) noexcept {
  if (values.empty() || !(q >= 0.0 && q <= 1.0)) return not_a_number;
  const double position = q * static_cast<double>(values.size() - 1);
  const auto below = static_cast<std::size_t>(position);
  const auto at = values.begin() + static_cast<std::ptrdiff_t>(below);
  std::nth_element(values.begin(), at, values.end());
  const double fraction = position - static_cast<double>(below);
  if (fraction <= 0.0 || below + 1 >= values.size()) return *at;
  const double above = *std::min_element(at + 1, values.end());
  return *at + fraction * (above - *at);
}

double median_absolute_deviation(std::span<const double> values) {
  auto deviations = deviations_from(values, median(values));
  return median_of(std::span<double>(deviations));
}

double mad_bias_factor(std::size_t n) noexcept {
  // 1.4826 b_n for n = 2..10 of Park, Kim & Wang 2022 (arXiv 1908.00462).
  constexpr std::array<double, 9> published{1.7744, 2.2053, 2.0164, 1.8056, 1.7628,
                                            1.6876, 1.6717, 1.6326, 1.6254};
  if (n < 2) return not_a_number;
  if (n - 2 < published.size()) return published[n - 2] / mad_to_sigma;
  const auto count = static_cast<double>(n);
  return count / (count - 0.8);
}

double sd_bias_factor(std::size_t n) noexcept {
  if (n < 2) return not_a_number;
  if (n > 1000) {  // three terms of the asymptotic series: exact to 1e-13 here
    const double r = 1.0 / static_cast<double>(n);
    return 1.0 - r * (0.25 + r * (7.0 / 32.0 + r * 19.0 / 128.0));
  }
  // c4(n) c4(n+1) = sqrt((n-1)/n), from the recurrence of the gamma function
  // (lgamma would write a global variable).
  double factor = std::sqrt(2.0 / std::numbers::pi);
  for (std::size_t k = 2; k < n; ++k) {
    factor = std::sqrt(static_cast<double>(k - 1) / static_cast<double>(k)) / factor;
  }
  return factor;
}

double robust_sigma(std::span<const double> values) {
  return mad_to_sigma * mad_bias_factor(values.size()) * median_absolute_deviation(values);
}

double biweight_location(std::span<const double> values, double c) {
  const double centre = median(values);
  const double width = c * median_absolute_deviation(values);
  if (!(width > 0.0)) return centre;  // more than half are equal: they are the location
  double weighted = 0.0;
  double weights = 0.0;
  for (const double value : values) {
    const double u = (value - centre) / width;
    if (std::fabs(u) >= 1.0) continue;
    const double weight = (1.0 - u * u) * (1.0 - u * u);
    weighted += weight * (value - centre);
    weights += weight;
  }
  return centre + weighted / weights;
}

double biweight_scale(std::span<const double> values, double c) {
  const double centre = median(values);
  const double width = c * median_absolute_deviation(values);
  if (!(width > 0.0)) return width;  // zero, or NaN for no values
  double above = 0.0;
  double below = 0.0;
  for (const double value : values) {
    const double u2 = (value - centre) / width * ((value - centre) / width);
    if (u2 >= 1.0) continue;
    const double w = 1.0 - u2;
    above += (value - centre) * (value - centre) * w * w * w * w;
    below += w * (1.0 - 5.0 * u2);
  }
  return std::sqrt(static_cast<double>(values.size()) * above) / std::fabs(below);
}

HuberEstimate huber_algorithm_a(std::span<const double> values) {
  if (values.empty()) return {not_a_number, not_a_number};
  if (values.size() == 1) return {values[0], not_a_number};
  HuberEstimate now{median(values), 1.483 * median_absolute_deviation(values)};
  // More than half equal: the standard's start would stop the iteration at once.
  if (!(now.scale > 0.0)) now.scale = deviation_of(values);
  std::vector<double> pulled(values.size());
  constexpr int most_passes = 2000;
  for (int pass = 0; pass < most_passes && now.scale > 0.0; ++pass) {
    const double reach = 1.5 * now.scale;
    std::transform(values.begin(), values.end(), pulled.begin(), [&](double value) {
      return std::clamp(value, now.location - reach, now.location + reach);
    });
    const std::span<const double> view(pulled);
    const HuberEstimate next{mean_of(view), 1.134 * deviation_of(view)};
    const double moved =
        std::fabs(next.location - now.location) + std::fabs(next.scale - now.scale);
    now = next;
    if (moved <= 1e-14 * (std::fabs(now.location) + now.scale)) break;
  }
  return now;
}

namespace {

ClippedStatistics describe(std::span<double> values) noexcept {
  ClippedStatistics result;
  result.kept = values.size();
  result.median = median_of(values);
  const std::span<const double> view(values);
  result.mean = mean_of(view);
  result.sd = values.empty()
                  ? not_a_number
                  : std::sqrt(squares_about(view, result.mean) / static_cast<double>(view.size()));
  return result;
}

}  // namespace

ClippedStatistics sigma_clipped(std::span<const double> values, const ClipOptions& options) {
  std::vector<double> kept(values.begin(), values.end());
  auto now = describe(kept);
  for (int pass = 0; pass < options.max_iterations && now.kept > 1; ++pass) {
    const double centre = options.use_median ? now.median : now.mean;
    double scale = now.sd;
    if (options.use_mad) {
      auto deviations = deviations_from(kept, now.median);
      const double robust = mad_to_sigma * median_of(std::span<double>(deviations));
      if (robust > 0.0) scale = robust;  // zero when half the values are equal: use the sd
    }
    const double lowest = centre - options.kappa_low * scale;
    const double highest = centre + options.kappa_high * scale;
    const auto cut =
        std::erase_if(kept, [&](double value) { return value < lowest || value > highest; });
    if (cut == 0) break;
    now = describe(kept);
  }
  return now;
}

double noise_from_differences(std::span<const float> row) {
  if (row.size() < 5) return not_a_number;
  std::vector<double> differences;
  differences.reserve(row.size() - 4);
  for (std::size_t i = 2; i + 2 < row.size(); ++i) {
    const double d = 2.0 * static_cast<double>(row[i]) - static_cast<double>(row[i - 2]) -
                     static_cast<double>(row[i + 2]);
    if (std::isfinite(d)) differences.push_back(std::fabs(d));
  }
  // 1.4826/sqrt(6): the combination has six times the variance of one pixel.
  return mad_to_sigma / std::sqrt(6.0) * median_of(std::span<double>(differences));
}

std::vector<double> drop_non_finite(std::span<const float> values) {
  std::vector<double> result;
  result.reserve(values.size());
  for (const float value : values) {
    if (std::isfinite(value)) result.push_back(static_cast<double>(value));
  }
  return result;
}

}  // namespace coldframe
