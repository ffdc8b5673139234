#include "stack/combine_kernel.hpp"

#include <algorithm>
#include <bit>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stack/combine_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stack::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

// No register is wider than a segment.
using Floats = hn::CappedTag<float, lanes>;
using Doubles = hn::ScalableTag<double>;
using HalfFloats = hn::Rebind<float, Doubles>;
using V = hn::Vec<Floats>;
using D = hn::Vec<Doubles>;
using H = hn::Vec<HalfFloats>;

void gather(const float* HWY_RESTRICT values, const std::uint8_t* HWY_RESTRICT mask,
            std::size_t count, float* HWY_RESTRICT out) {
#if HWY_TARGET == HWY_SCALAR
  plain::gather_row(values, mask, count, out);
#else
  const Floats df;
  const hn::RebindToSigned<Floats> di;
  const hn::Rebind<std::uint8_t, Floats> db;
  const V largest = hn::Set(df, std::numeric_limits<float>::max());
  const V bad = hn::Set(df, not_usable);
  const auto barred = hn::Set(di, mask_bit::unusable);
  const std::size_t step = hn::Lanes(df);
  std::size_t l = 0;
  for (; l + step <= count; l += step) {
    const V v = hn::LoadU(df, values + l);
    V kept = hn::IfThenElse(hn::Le(hn::Abs(v), largest), v, bad);
    if (mask != nullptr) {
      const auto bits = hn::And(hn::PromoteTo(di, hn::LoadU(db, mask + l)), barred);
      kept = hn::IfThenElse(hn::RebindMask(df, hn::Eq(bits, hn::Zero(di))), kept, bad);
    }
    hn::StoreU(kept, df, out + l);
  }
  plain::gather_row(values + l, mask != nullptr ? mask + l : nullptr, count - l, out + l);
#endif
}

void count(const Segment& s, PerLane<std::uint32_t>& counts) {
  const Floats df;
  const hn::RebindToUnsigned<Floats> du;
  const std::size_t subs = s.subs.size();
  const auto one = hn::Set(du, 1U);
  for (std::size_t l = 0; l < lanes; l += hn::Lanes(df)) {
    auto sum = hn::Zero(du);
    const float* p = s.values.data() + l;
    for (std::size_t i = 0; i < subs; ++i, p += lanes) {
      const V v = hn::LoadU(df, p);
      sum = hn::Add(sum, hn::IfThenElseZero(hn::RebindMask(du, hn::Eq(v, v)), one));
    }
    hn::StoreU(sum, du, counts.data() + l);
  }
}

/// Interval that is likely to hold the median, and what else the proof needs.
struct Guess {
  V low, high, seeing2, count;
};

HWY_INLINE Guess guess_centre(const Segment& s, const ScreenModel& m, std::size_t l) {
  const Floats df;
  const V zero = hn::Zero(df);
  const V one = hn::Set(df, 1.0F);
  V sum = zero;
  V count = zero;
  const float* p = s.values.data() + l;
  for (std::size_t i = 0; i < s.subs.size(); ++i, p += lanes) {
    const V v = hn::LoadU(df, p);
    const auto usable = hn::Eq(v, v);
    sum = hn::Add(sum, hn::IfThenElseZero(usable, v));
    count = hn::Add(count, hn::IfThenElseZero(usable, one));
  }
  const V mean = hn::Div(sum, hn::Max(count, one));
  const V light = hn::Max(hn::Sub(mean, hn::Set(df, m.mean_pedestal)), zero);
  const V share = hn::Set(df, m.seeing_share);
  const V sky = hn::Set(df, m.sky_level);
  const V signal = hn::Max(hn::Mul(share, hn::Sub(mean, sky)), zero);
  const V noise = hn::Add(hn::Set(df, m.mean_constant), hn::Mul(hn::Set(df, m.mean_slope), light));
  const V predicted = hn::Add(noise, hn::Mul(signal, signal));
  const V factor =
      hn::IfThenElse(hn::Lt(count, hn::Set(df, 100.0F)), hn::Set(df, 0.5F), hn::Set(df, 0.3F));
  const V d = hn::Mul(factor, hn::Sqrt(predicted));
  const V low = hn::Sub(mean, d);
  const V least = hn::Max(hn::Mul(share, hn::Sub(low, sky)), zero);
  return {low, hn::Add(mean, d), hn::Mul(least, least), count};
}

std::uint32_t screen(const Segment& s, const ScreenModel& m) {
  const Floats df;
  const V zero = hn::Zero(df);
  const V one = hn::Set(df, 1.0F);
  const V high2 = hn::Set(df, m.kappa_high2 * 0.9999F);
  const V low2 = hn::Set(df, m.kappa_low2 * 0.9999F);
  std::uint32_t suspects = 0;
  for (std::size_t l = 0; l < lanes; l += hn::Lanes(df)) {
    const Guess g = guess_centre(s, m, l);
    V below = zero;
    V above = zero;
    auto out = hn::Lt(one, zero);
    const float* p = s.values.data() + l;
    for (std::size_t i = 0; i < s.subs.size(); ++i, p += lanes) {
      const BlockCoefficients& c = s.subs[i].model;
      const V v = hn::LoadU(df, p);
      const V up = hn::Sub(v, g.low);
      const V down = hn::Sub(g.high, v);
      const V light = hn::Max(hn::Sub(g.low, hn::Set(df, c.pedestal)), zero);
      const V noise = hn::Add(hn::Set(df, c.constant), hn::Mul(hn::Set(df, c.slope), light));
      const V variance = hn::Add(noise, g.seeing2);
      const auto is_below = hn::Lt(up, zero);
      const auto is_above = hn::Lt(down, zero);
      below = hn::Add(below, hn::IfThenElseZero(is_below, one));
      above = hn::Add(above, hn::IfThenElseZero(is_above, one));
      // A sample below the interval cannot be too high, one above it not too low. NaN compares
      // false.
      const auto too_high = hn::AndNot(is_below, hn::Gt(hn::Mul(up, up), hn::Mul(high2, variance)));
      const auto too_low =
          hn::AndNot(is_above, hn::Gt(hn::Mul(down, down), hn::Mul(low2, variance)));
      out = hn::Or(out, hn::Or(too_high, too_low));
    }
    const auto centred =
        hn::And(hn::Lt(hn::Add(below, below), g.count), hn::Lt(hn::Add(above, above), g.count));
    const auto suspect = hn::AndNot(hn::AndNot(out, centred), hn::Gt(g.count, zero));
    std::uint8_t bits[8] = {};
    hn::StoreMaskBits(df, suspect, bits);
    std::uint32_t word = 0;
    for (std::size_t b = 0; b < 4; ++b) word |= static_cast<std::uint32_t>(bits[b]) << (8 * b);
    if (hn::Lanes(df) < lanes) word &= (1U << hn::Lanes(df)) - 1U;
    suspects |= word << l;
  }
  return suspects;
}

HWY_INLINE void exchange(float* HWY_RESTRICT a, float* HWY_RESTRICT b) {
  const Floats df;
  for (std::size_t l = 0; l < lanes; l += hn::Lanes(df)) {
    const V x = hn::LoadU(df, a + l);
    const V y = hn::LoadU(df, b + l);
    hn::StoreU(hn::Min(x, y), df, a + l);
    hn::StoreU(hn::Max(x, y), df, b + l);
  }
}

void sort(std::size_t subs, std::span<float> values) {
  const Floats df;
  const V infinity = hn::Set(df, std::numeric_limits<float>::infinity());
  float* const base = values.data();
  for (std::size_t k = 0; k < subs * lanes; k += hn::Lanes(df)) {
    const V v = hn::LoadU(df, base + k);
    hn::StoreU(hn::IfThenElse(hn::Eq(v, v), v, infinity), df, base + k);
  }
  if (subs < 2) return;
  const std::size_t top = std::bit_ceil(subs) / 2;
  for (std::size_t p = top; p > 0; p /= 2) {
    std::size_t q = top;
    std::size_t r = 0;
    for (std::size_t d = p;; d = q - p, q /= 2, r = p) {
      for (std::size_t i = 0; i + d < subs; ++i) {
        if ((i & p) == r) exchange(base + i * lanes, base + (i + d) * lanes);
      }
      if (q == p) break;
    }
  }
}

void sum(const Segment& s, const LaneLimits& limits, LaneSums& out) {
  const Doubles dd;
  const HalfFloats dh;
  const hn::RebindToUnsigned<HalfFloats> du;
  const auto one = hn::Set(du, 1U);
  for (std::size_t l = 0; l < lanes; l += hn::Lanes(dd)) {
    const H low = hn::LoadU(dh, limits.low.data() + l);
    const H high = hn::LoadU(dh, limits.high.data() + l);
    D weight = hn::Zero(dd);
    D weighted = hn::Zero(dd);
    D exposure = hn::Zero(dd);
    auto alive_count = hn::Zero(du);
    const float* p = s.values.data() + l;
    for (std::size_t i = 0; i < s.subs.size(); ++i, p += lanes) {
      const H v = hn::LoadU(dh, p);
      const auto alive = hn::And(hn::Ge(v, low), hn::Le(v, high));
      const auto counted = hn::IfThenElseZero(hn::RebindMask(du, alive), one);
      alive_count = hn::Add(alive_count, counted);
      // Zero where the sample is out: products and sums with exact zeros change nothing.
      const D share =
          hn::PromoteTo(dd, hn::IfThenElseZero(alive, hn::Set(dh, s.subs[i].model.weight)));
      weight = hn::Add(weight, share);
      weighted = hn::Add(weighted, hn::Mul(share, hn::PromoteTo(dd, hn::IfThenElseZero(alive, v))));
      exposure = hn::Add(
          exposure, hn::PromoteTo(dd, hn::IfThenElseZero(alive, hn::Set(dh, s.subs[i].exposure))));
    }
    hn::StoreU(weight, dd, out.weight.data() + l);
    hn::StoreU(weighted, dd, out.weighted.data() + l);
    hn::StoreU(exposure, dd, out.exposure.data() + l);
    hn::StoreU(alive_count, du, out.count.data() + l);
  }
}

void spread(const Segment& s, const LaneLimits& limits, const PerLane<float>& mean, bool scatter,
            LaneSpread& out) {
  const Doubles dd;
  const HalfFloats dh;
  for (std::size_t l = 0; l < lanes; l += hn::Lanes(dd)) {
    const H low = hn::LoadU(dh, limits.low.data() + l);
    const H high = hn::LoadU(dh, limits.high.data() + l);
    const H centre = hn::LoadU(dh, mean.data() + l);
    const D wide_centre = hn::PromoteTo(dd, centre);
    D total = hn::Zero(dd);
    D first = hn::Zero(dd);
    D second = hn::Zero(dd);
    const float* p = s.values.data() + l;
    for (std::size_t i = 0; i < s.subs.size(); ++i, p += lanes) {
      const BlockCoefficients& c = s.subs[i].model;
      const H v = hn::LoadU(dh, p);
      const auto alive = hn::And(hn::Ge(v, low), hn::Le(v, high));
      const H distance = hn::Sub(centre, hn::Set(dh, c.pedestal));
      const H light = hn::IfThenElseZero(hn::Gt(distance, hn::Zero(dh)), distance);
      const H noise = hn::Add(hn::Set(dh, c.constant), hn::Mul(hn::Set(dh, c.slope), light));
      const H variance = hn::Mul(hn::Set(dh, c.weight * c.weight), noise);
      total = hn::Add(total, hn::PromoteTo(dd, hn::IfThenElseZero(alive, variance)));
      if (!scatter) continue;
      const D deviation = hn::Sub(hn::PromoteTo(dd, hn::IfThenElse(alive, v, centre)), wide_centre);
      first = hn::Add(first, deviation);
      second = hn::Add(second, hn::Mul(deviation, deviation));
    }
    hn::StoreU(total, dd, out.variance.data() + l);
    hn::StoreU(first, dd, out.first.data() + l);
    hn::StoreU(second, dd, out.second.data() + l);
  }
}

}  // namespace coldframe::stack::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stack::detail {
namespace {
HWY_EXPORT(gather);
HWY_EXPORT(count);
HWY_EXPORT(screen);
HWY_EXPORT(sort);
HWY_EXPORT(sum);
HWY_EXPORT(spread);
}  // namespace

void gather_row(const float* values, const std::uint8_t* mask, std::size_t row_count,
                float* out) noexcept {
  HWY_DYNAMIC_DISPATCH(gather)(values, mask, row_count, out);
}

PerLane<std::uint32_t> count_lanes(const Segment& segment) noexcept {
  PerLane<std::uint32_t> counts;
  HWY_DYNAMIC_DISPATCH(count)(segment, counts);
  return counts;
}

std::uint32_t screen_noise_model(const Segment& segment, const ScreenModel& model) noexcept {
  return HWY_DYNAMIC_DISPATCH(screen)(segment, model);
}

void sort_lanes(std::size_t subs, std::span<float> values) noexcept {
  HWY_DYNAMIC_DISPATCH(sort)(subs, values);
}

LaneSums sum_lanes(const Segment& segment, const LaneLimits& limits) noexcept {
  LaneSums sums;
  HWY_DYNAMIC_DISPATCH(sum)(segment, limits, sums);
  return sums;
}

LaneSpread spread_lanes(const Segment& segment, const LaneLimits& limits,
                        const PerLane<float>& mean, bool scatter) noexcept {
  LaneSpread result;
  HWY_DYNAMIC_DISPATCH(spread)(segment, limits, mean, scatter, result);
  return result;
}

}  // namespace coldframe::stack::detail
#endif
