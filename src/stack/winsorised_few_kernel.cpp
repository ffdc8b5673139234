#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "stack/winsorised_few.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stack/winsorised_few_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stack::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

// No register is wider than a segment.
using FewTag = hn::CappedTag<float, lanes>;
using FewVec = hn::Vec<FewTag>;

HWY_INLINE FewVec middle_of(const float* sorted, std::size_t subs) {
  const FewTag df;
  const FewVec upper = hn::LoadU(df, sorted + subs / 2 * lanes);
  if (subs % 2 == 1) return upper;
  const FewVec lower = hn::LoadU(df, sorted + (subs / 2 - 1) * lanes);
  return hn::Mul(hn::Set(df, 0.5F), hn::Add(lower, upper));
}

/// What one vector's lanes have come to.
struct FewState {
  const float* first;
  FewVec pivot, centre, scale;  // centre from the pivot
  hn::Mask<FewTag> sound, settled;
};

HWY_INLINE FewState few_start(const FewSamples& s, std::size_t lane) {
  const FewTag df;
  FewState state;
  state.first = s.sorted.data() + lane;
  state.pivot = middle_of(state.first, s.subs);
  state.centre = hn::Zero(df);
  state.scale = hn::Mul(hn::Set(df, static_cast<float>(mad_to_sigma)),
                        middle_of(s.distances.data() + lane, s.subs));
  const FewVec last = hn::LoadU(df, state.first + (s.subs - 1) * lanes);
  const auto whole = hn::Lt(last, hn::Set(df, std::numeric_limits<float>::max()));
  state.sound = hn::And(whole, hn::Gt(state.scale, hn::Zero(df)));
  state.settled = hn::Not(state.sound);
  return state;
}

/// A lane that has settled stays as it is: its neighbours do not matter.
HWY_INLINE void few_step(FewState& state, FewVec sum, FewVec squares, float count) {
  const FewTag df;
  // Once for all: of what a pass waits for, divisions were a third.
  const FewVec mean = hn::Mul(sum, hn::Set(df, 1.0F / count));
  const FewVec rest = hn::Sub(squares, hn::Mul(sum, mean));
  const FewVec kept = hn::IfThenElseZero(hn::Gt(rest, hn::Zero(df)), rest);
  const FewVec variance = hn::Mul(kept, hn::Set(df, 1.0F / (count - 1.0F)));
  const FewVec next = hn::Mul(hn::Set(df, 1.134F), hn::Sqrt(variance));
  const FewVec change = hn::Abs(hn::Sub(next, state.scale));
  const auto now = hn::Le(change, hn::Mul(hn::Set(df, few_settled), state.scale));
  state.centre = hn::IfThenElse(state.settled, state.centre, mean);
  state.scale = hn::IfThenElse(state.settled, state.scale, next);
  state.settled = hn::Or(state.settled, now);
}

// Of no lane that counts is one of them not a number.
HWY_INLINE FewVec few_bent(FewVec d, FewVec low, FewVec high) {
  return hn::Min(hn::Max(d, low), high);
}

/// Two vectors at once: each pass is a chain of waits, which the other one fills.
HWY_INLINE void few_settle(const FewSamples& s, FewState& a, FewState& b) {
  const FewTag df;
  const auto count = static_cast<float>(s.subs);
  const FewVec widths = hn::Set(df, 1.5F);
  for (int pass = 0; pass < few_passes && !hn::AllTrue(df, hn::And(a.settled, b.settled)); ++pass) {
    const FewVec reach_a = hn::Mul(widths, a.scale), reach_b = hn::Mul(widths, b.scale);
    const FewVec low_a = hn::Sub(a.centre, reach_a), high_a = hn::Add(a.centre, reach_a);
    const FewVec low_b = hn::Sub(b.centre, reach_b), high_b = hn::Add(b.centre, reach_b);
    FewVec sum_a = hn::Zero(df), squares_a = hn::Zero(df);
    FewVec sum_b = hn::Zero(df), squares_b = hn::Zero(df);
    for (std::size_t i = 0; i < s.subs; ++i) {
      const FewVec w_a =
          few_bent(hn::Sub(hn::LoadU(df, a.first + i * lanes), a.pivot), low_a, high_a);
      const FewVec w_b =
          few_bent(hn::Sub(hn::LoadU(df, b.first + i * lanes), b.pivot), low_b, high_b);
      sum_a = hn::Add(sum_a, w_a);
      sum_b = hn::Add(sum_b, w_b);
      squares_a = hn::Add(squares_a, hn::Mul(w_a, w_a));
      squares_b = hn::Add(squares_b, hn::Mul(w_b, w_b));
    }
    few_step(a, sum_a, squares_a, count);
    few_step(b, sum_b, squares_b, count);
  }
}

/// Lanes that hold no sample to cut.
HWY_INLINE std::uint32_t few_clean(const FewSamples& s, const FewState& state) {
  const FewTag df;
  const FewVec low =
      hn::Sub(state.centre, hn::Mul(hn::Set(df, few_margin * s.kappa_low), state.scale));
  const FewVec high =
      hn::Add(state.centre, hn::Mul(hn::Set(df, few_margin * s.kappa_high), state.scale));
  const FewVec least = hn::LoadU(df, state.first);
  const FewVec most = hn::LoadU(df, state.first + (s.subs - 1) * lanes);
  const auto inside =
      hn::And(hn::Ge(hn::Sub(least, state.pivot), low), hn::Le(hn::Sub(most, state.pivot), high));
  std::uint8_t bits[8] = {};
  hn::StoreMaskBits(df, hn::And(hn::And(state.sound, state.settled), inside), bits);
  std::uint32_t word = 0;
  for (std::size_t k = 0; k < 4; ++k) word |= static_cast<std::uint32_t>(bits[k]) << (8 * k);
  if (hn::Lanes(df) < lanes) word &= (1U << hn::Lanes(df)) - 1U;
  return word;
}

std::uint32_t few_suspects(const FewSamples& s) {
  const FewTag df;
  const std::size_t wide = hn::Lanes(df);
  std::uint32_t clean = 0;
  for (std::size_t l = 0; l < lanes; l += 2 * wide) {
    const std::size_t other = l + wide < lanes ? l + wide : l;  // a segment that is one vector
    FewState a = few_start(s, l);
    FewState b = few_start(s, other);
    few_settle(s, a, b);
    clean |= few_clean(s, a) << l | few_clean(s, b) << other;
  }
  return ~clean;
}

}  // namespace coldframe::stack::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stack::detail {
namespace {
HWY_EXPORT(few_suspects);

float middle_of(std::span<const float> sorted, std::size_t subs, std::size_t lane) noexcept {
  const float upper = sorted[subs / 2 * lanes + lane];
  return subs % 2 == 1 ? upper : 0.5F * (sorted[(subs / 2 - 1) * lanes + lane] + upper);
}

bool clean(const FewSamples& s, std::size_t lane) noexcept {
  const auto count = static_cast<float>(s.subs);
  const float pivot = middle_of(s.sorted, s.subs, lane);
  const float last = s.sorted[(s.subs - 1) * lanes + lane];
  float centre = 0.0F;
  float scale = static_cast<float>(mad_to_sigma) * middle_of(s.distances, s.subs, lane);
  if (!(last < std::numeric_limits<float>::max()) || !(scale > 0.0F)) return false;
  bool settled = false;
  for (int pass = 0; pass < few_passes && !settled; ++pass) {
    const float reach = 1.5F * scale;
    const float low = centre - reach;
    const float high = centre + reach;
    float sum = 0.0F;
    float squares = 0.0F;
    for (std::size_t i = 0; i < s.subs; ++i) {
      const float d = s.sorted[i * lanes + lane] - pivot;
      const float above = d > low ? d : low;
      const float w = above < high ? above : high;
      sum += w;
      squares += w * w;
    }
    const float mean = sum * (1.0F / count);
    const float rest = squares - sum * mean;
    const float variance = (rest > 0.0F ? rest : 0.0F) * (1.0F / (count - 1.0F));
    const float next = 1.134F * std::sqrt(variance);
    settled = std::fabs(next - scale) <= few_settled * scale;
    centre = mean;
    scale = next;
  }
  return settled && s.sorted[lane] - pivot >= centre - few_margin * s.kappa_low * scale &&
         last - pivot <= centre + few_margin * s.kappa_high * scale;
}

}  // namespace

void lane_medians(std::span<const float> sorted, std::size_t subs,
                  PerLane<float>& medians) noexcept {
  for (std::size_t l = 0; l < lanes; ++l) medians[l] = middle_of(sorted, subs, l);
}

std::uint32_t suspects_of_few(const FewSamples& samples) noexcept {
  return HWY_DYNAMIC_DISPATCH(few_suspects)(samples);
}

std::uint32_t plain::suspects_of_few(const FewSamples& samples) noexcept {
  std::uint32_t suspects = 0;
  for (std::size_t l = 0; l < lanes; ++l) {
    if (!clean(samples, l)) suspects |= std::uint32_t{1} << l;
  }
  return suspects;
}

}  // namespace coldframe::stack::detail
#endif
