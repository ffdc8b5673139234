#include "segment_passes.hpp"

#include <bit>
#include <cmath>

namespace coldframe::stack::detail::plain {
namespace {

constexpr float infinity = std::numeric_limits<float>::infinity();
constexpr float largest = std::numeric_limits<float>::max();

/// Guesses of the centre and of its uncertainty; the proof does not depend on them.
struct Guess {
  PerLane<float> low;
  PerLane<float> high;
  PerLane<float> seeing2;
  PerLane<std::int32_t> count;
};

Guess guess_centre(const Segment& s, const ScreenModel& model) noexcept {
  Guess g;
  PerLane<float> sum{};
  g.count.fill(0);
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float* v = &s.values[i * lanes];
    for (std::size_t l = 0; l < lanes; ++l) {
      sum[l] += v[l] == v[l] ? v[l] : 0.0F;
      g.count[l] += v[l] == v[l] ? 1 : 0;
    }
  }
  for (std::size_t l = 0; l < lanes; ++l) {
    const float mean = sum[l] / static_cast<float>(g.count[l] > 0 ? g.count[l] : 1);
    const float light = mean - model.mean_pedestal;
    const float signal = model.seeing_share * (mean - model.sky_level);
    const float predicted = model.mean_constant + model.mean_slope * (light > 0.0F ? light : 0.0F) +
                            (signal > 0.0F ? signal * signal : 0.0F);
    const float d = (g.count[l] < 100 ? 0.5F : 0.3F) * std::sqrt(predicted);
    g.low[l] = mean - d;
    g.high[l] = mean + d;
    const float least = model.seeing_share * (g.low[l] - model.sky_level);
    g.seeing2[l] = least > 0.0F ? least * least : 0.0F;
  }
  return g;
}

}  // namespace

void gather_row(const float* values, const std::uint8_t* mask, std::size_t count,
                float* out) noexcept {
  if (mask == nullptr) {
    for (std::size_t l = 0; l < count; ++l) {
      out[l] = std::fabs(values[l]) <= largest ? values[l] : not_usable;
    }
    return;
  }
  for (std::size_t l = 0; l < count; ++l) {
    const bool good = (mask[l] & mask_bit::unusable) == 0;
    const float v = std::fabs(values[l]) <= largest ? values[l] : not_usable;
    out[l] = good ? v : not_usable;
  }
}

PerLane<std::uint32_t> count_lanes(const Segment& s) noexcept {
  PerLane<std::uint32_t> counts{};
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float* v = &s.values[i * lanes];
    for (std::size_t l = 0; l < lanes; ++l) counts[l] += v[l] == v[l] ? 1U : 0U;
  }
  return counts;
}

std::uint32_t screen_noise_model(const Segment& s, const ScreenModel& model) noexcept {
  const Guess g = guess_centre(s, model);
  PerLane<std::int32_t> below{};
  PerLane<std::int32_t> above{};
  PerLane<std::int32_t> out{};
  // The rule itself works in double; the margin covers what float rounds here.
  const float high2 = model.kappa_high2 * 0.9999F;
  const float low2 = model.kappa_low2 * 0.9999F;
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float* v = &s.values[i * lanes];
    const BlockCoefficients& c = s.subs[i].model;
    for (std::size_t l = 0; l < lanes; ++l) {
      const float up = v[l] - g.low[l];
      const float down = g.high[l] - v[l];
      const float light = g.low[l] - c.pedestal;
      const float variance = c.constant + c.slope * (light > 0.0F ? light : 0.0F) + g.seeing2[l];
      below[l] += up < 0.0F ? 1 : 0;
      above[l] += down < 0.0F ? 1 : 0;
      const float u = up > 0.0F ? up : 0.0F;
      const float w = down > 0.0F ? down : 0.0F;
      out[l] |= (u * u > high2 * variance ? 1 : 0) | (w * w > low2 * variance ? 1 : 0);
    }
  }
  std::uint32_t suspects = 0;
  for (std::size_t l = 0; l < lanes; ++l) {
    const bool proven = out[l] == 0 && 2 * below[l] < g.count[l] && 2 * above[l] < g.count[l];
    if (!proven && g.count[l] > 0) suspects |= 1U << l;
  }
  return suspects;
}

void sort_lanes(std::size_t subs, std::span<float> values) noexcept {
  for (float& v : values.first(subs * lanes)) v = v == v ? v : infinity;
  if (subs < 2) return;
  const std::size_t top = std::bit_ceil(subs) / 2;
  const auto exchange = [&](std::size_t i, std::size_t j) {
    float* a = &values[i * lanes];
    float* b = &values[j * lanes];
    for (std::size_t l = 0; l < lanes; ++l) {
      const float x = a[l];
      const float y = b[l];
      a[l] = y < x ? y : x;
      b[l] = y < x ? x : y;
    }
  };
  for (std::size_t p = top; p > 0; p /= 2) {
    std::size_t q = top;
    std::size_t r = 0;
    for (std::size_t d = p;; d = q - p, q /= 2, r = p) {
      for (std::size_t i = 0; i + d < subs; ++i) {
        if ((i & p) == r) exchange(i, i + d);
      }
      if (q == p) break;
    }
  }
}

LaneSums sum_lanes(const Segment& s, const LaneLimits& limits) noexcept {
  LaneSums sums;
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float* v = &s.values[i * lanes];
    const auto w = static_cast<double>(s.subs[i].model.weight);
    const auto e = static_cast<double>(s.subs[i].exposure);
    for (std::size_t l = 0; l < lanes; ++l) {
      const bool alive = v[l] >= limits.low[l] && v[l] <= limits.high[l];
      sums.weight[l] += alive ? w : 0.0;
      sums.weighted[l] += alive ? w * static_cast<double>(v[l]) : 0.0;
      sums.exposure[l] += alive ? e : 0.0;
      sums.count[l] += alive ? 1U : 0U;
    }
  }
  return sums;
}

LaneSpread spread_lanes(const Segment& s, const LaneLimits& limits, const PerLane<float>& mean,
                        bool scatter) noexcept {
  LaneSpread spread;
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float* v = &s.values[i * lanes];
    const BlockCoefficients& c = s.subs[i].model;
    const float w2 = c.weight * c.weight;
    for (std::size_t l = 0; l < lanes; ++l) {
      const bool alive = v[l] >= limits.low[l] && v[l] <= limits.high[l];
      const float light = mean[l] - c.pedestal;
      const float variance = w2 * (c.constant + c.slope * (light > 0.0F ? light : 0.0F));
      spread.variance[l] += alive ? static_cast<double>(variance) : 0.0;
    }
    if (!scatter) continue;
    for (std::size_t l = 0; l < lanes; ++l) {
      const bool alive = v[l] >= limits.low[l] && v[l] <= limits.high[l];
      const double d = alive ? static_cast<double>(v[l]) - static_cast<double>(mean[l]) : 0.0;
      spread.first[l] += d;
      spread.second[l] += d * d;
    }
  }
  return spread;
}

void count_cuts(const Segment& s, const LaneLimits& limits, Cuts& cuts) noexcept {
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float* v = &s.values[i * lanes];
    std::uint32_t low = 0;
    std::uint32_t high = 0;
    for (std::size_t l = 0; l < lanes; ++l) {
      const std::uint32_t is_low = v[l] < limits.low[l] ? 1U : 0U;
      const std::uint32_t is_high = v[l] > limits.high[l] ? 1U : 0U;
      cuts.low[l] += is_low;
      cuts.high[l] += is_high;
      low += is_low;
      high += is_high;
    }
    cuts.sub_low[i] += low;
    cuts.sub_high[i] += high;
  }
}

}  // namespace coldframe::stack::detail::plain
