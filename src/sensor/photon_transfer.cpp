#include "coldframe/sensor/photon_transfer.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numeric>

#include "coldframe/core/error.hpp"
#include "sensor/robust_mean.hpp"

namespace coldframe::sensor {
namespace {

constexpr int block = 64;
constexpr double level_kappa = 8.0;
constexpr double difference_kappa = 6.0;
/// EMVA 1288 R4.0, section on the dark noise: below this variance (in code steps squared) rounding
/// hides the noise, and 0.40 (sqrt(0.24 - 1/12)) is all that can be said.
constexpr double least_dark_variance = 0.24;
constexpr double rounding_variance = 1.0 / 12.0;

/// Pixels of both frames that count.
struct Window {
  PlaneView<const float> a;
  PlaneView<const float> b;
  double level_low = 0.0, level_high = 0.0;  ///< of a + b
  double difference_low = 0.0, difference_high = 0.0;

  [[nodiscard]] bool counts(int x, int y) const {
    const auto u = static_cast<double>(a(x, y));
    const auto v = static_cast<double>(b(x, y));
    const double sum = u + v;
    const double difference = u - v;
    // False for NaN.
    return sum >= level_low && sum <= level_high && difference >= difference_low &&
           difference <= difference_high;
  }
};

/// Values f(a, b) of at most about 2 * 10^5 evenly spread finite pixels.
template <typename F>
std::vector<float> sampled(PlaneView<const float> a, PlaneView<const float> b, F&& f) {
  const std::int64_t count = a.size().count();
  const std::int64_t stride = std::max<std::int64_t>(count / 200000, 1) | 1;
  std::vector<float> values;
  for (std::int64_t i = 0; i < count; i += stride) {
    const auto x = static_cast<int>(i % a.width());
    const auto y = static_cast<int>(i / a.width());
    const float value = f(a(x, y), b(x, y));
    if (std::isfinite(value)) values.push_back(value);
  }
  return values;
}

struct Limits {
  double low;
  double high;
};

Limits limits_of(std::vector<float> values, double kappa, double clip) {
  const RobustMoments moments = robust_moments_in_place(values, clip);
  const double reach = kappa * std::sqrt(moments.variance);
  // A half ADU more: with very little noise all codes may be the same but one.
  return {moments.mean - reach - 0.5, moments.mean + reach + 0.5};
}

struct BlockSum {
  double squares = 0.0;
  double level = 0.0;
  std::size_t count = 0;
};

BlockSum sum_block(const Window& window, const Rect& rect) {
  BlockSum result;
  double sum = 0.0;
  for (const bool second : {false, true}) {
    const double mean = result.count > 0 ? sum / static_cast<double>(result.count) : 0.0;
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) {
        if (!window.counts(x, y)) continue;
        const auto u = static_cast<double>(window.a(x, y));
        const auto v = static_cast<double>(window.b(x, y));
        if (second) {
          result.squares += (u - v - mean) * (u - v - mean);
        } else {
          sum += u - v;
          result.level += 0.5 * (u + v);
          ++result.count;
        }
      }
    }
  }
  return result;
}

/// Greatest common divisor of all finite values' distances from the first; 0 when one is no
/// integer.
double common_step(PlaneView<const float> plane) {
  std::int64_t step = 0;
  std::optional<std::int64_t> first;
  for (int y = 0; y < plane.height(); ++y) {
    for (const float value : plane.row(y)) {
      if (!std::isfinite(value)) continue;
      if (value != std::floor(value) || std::abs(value) > 1.0e9F) return 0.0;
      const auto code = static_cast<std::int64_t>(value);
      if (!first) first = code;
      step = std::gcd(step, std::abs(code - *first));
      if (step == 1) return 1.0;
    }
  }
  return step == 0 ? 1.0 : static_cast<double>(step);
}

}  // namespace

PairStatistics pair_statistics(PlaneView<const float> a, PlaneView<const float> b) {
  if (a.size() != b.size()) {
    throw Error(ErrorKind::usage, "", "the two frames of a pair differ in size",
                "use frames of one camera and binning");
  }
  Window window{a, b};
  const Limits level =
      limits_of(sampled(a, b, [](float u, float v) { return u + v; }), level_kappa, 5.0);
  const Limits difference = limits_of(sampled(a, b, [](float u, float v) { return u - v; }),
                                      difference_kappa, difference_kappa);
  window.level_low = level.low;
  window.level_high = level.high;
  window.difference_low = difference.low;
  window.difference_high = difference.high;
  double squares = 0.0;
  double levels = 0.0;
  std::size_t freedom = 0;
  PairStatistics result;
  for (int y = 0; y < a.height(); y += block) {
    for (int x = 0; x < a.width(); x += block) {
      const BlockSum sum = sum_block(
          window, Rect{x, y, std::min(x + block, a.width()), std::min(y + block, a.height())});
      if (sum.count < 2) continue;
      squares += sum.squares;
      levels += sum.level;
      result.pixels += sum.count;
      freedom += sum.count - 1;
    }
  }
  if (freedom == 0) return result;
  result.mean_adu = levels / static_cast<double>(result.pixels);
  result.variance_adu2 = 0.5 * squares / static_cast<double>(freedom);
  result.code_step = common_step(a);
  return result;
}

Grid<float> one_colour(PlaneView<const float> mosaic, int offset_x, int offset_y) {
  Grid<float> result(std::max(mosaic.width() - offset_x + 1, 0) / 2,
                     std::max(mosaic.height() - offset_y + 1, 0) / 2);
  for (int y = 0; y < result.height(); ++y) {
    for (int x = 0; x < result.width(); ++x) {
      result(x, y) = mosaic(2 * x + offset_x, 2 * y + offset_y);
    }
  }
  return result;
}

GainEstimate estimate_gain(const PairStatistics& dark, const PairStatistics& flat) {
  GainEstimate result;
  if (dark.pixels < 2 || flat.pixels < 2) {
    result.note = "no usable pixels";
    return result;
  }
  const double signal = flat.mean_adu - dark.mean_adu;
  const double variance = flat.variance_adu2 - dark.variance_adu2;
  const double dark_error2 =
      2.0 * dark.variance_adu2 * dark.variance_adu2 / static_cast<double>(dark.pixels - 1);
  const double flat_error2 =
      2.0 * flat.variance_adu2 * flat.variance_adu2 / static_cast<double>(flat.pixels - 1);
  const double variance_error = std::sqrt(dark_error2 + flat_error2);
  if (!(signal > 0.0)) {
    result.note = "the flats are not brighter than the dark frames";
    return result;
  }
  if (!(variance > 5.0 * variance_error)) {
    result.note = "the flats show no photon noise above the dark frames'";
    return result;
  }
  result.usable = true;
  result.gain_e_per_adu = signal / variance;
  const double relative = variance_error / variance;
  result.gain_error = result.gain_e_per_adu * relative;
  const double step2 = dark.code_step * dark.code_step;
  const double read_variance = dark.variance_adu2 - rounding_variance * step2;
  if (dark.variance_adu2 < least_dark_variance * step2) {
    result.read_noise_is_bound = true;
    result.read_noise_e =
        result.gain_e_per_adu * dark.code_step * std::sqrt(least_dark_variance - rounding_variance);
    result.note = "the read noise is hidden by the code step; the figure is an upper bound";
    return result;
  }
  result.read_noise_e = result.gain_e_per_adu * std::sqrt(read_variance);
  result.read_noise_error =
      result.read_noise_e * std::hypot(relative, 0.5 * std::sqrt(dark_error2) / read_variance);
  return result;
}

CodeSummary summarise_codes(PlaneView<const float> raw) {
  CodeSummary result;
  result.step = common_step(raw);
  bool any = false;
  for (int y = 0; y < raw.height(); ++y) {
    for (const float value : raw.row(y)) {
      if (!std::isfinite(value)) continue;
      const auto code = static_cast<double>(value);
      if (!any || code > result.highest) {
        result.highest = code;
        result.at_highest = 0;
        any = true;
      }
      if (code == result.highest) ++result.at_highest;
    }
  }
  return result;
}

}  // namespace coldframe::sensor
