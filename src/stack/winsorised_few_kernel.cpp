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

/// Lanes of one vector that hold no sample to cut.
HWY_INLINE hn::Mask<FewTag> few_clean(const FewSamples& s, std::size_t lane) {
  const FewTag df;
  const float* const first = s.sorted.data() + lane;
  const float* const last = first + (s.subs - 1) * lanes;
  const auto count = static_cast<float>(s.subs);
  const FewVec pivot = middle_of(first, s.subs);
  FewVec centre = hn::Zero(df);  // from the pivot
  FewVec scale = hn::Mul(hn::Set(df, static_cast<float>(mad_to_sigma)),
                         middle_of(s.distances.data() + lane, s.subs));
  const auto whole = hn::Lt(hn::LoadU(df, last), hn::Set(df, std::numeric_limits<float>::max()));
  const auto sound = hn::And(whole, hn::Gt(scale, hn::Zero(df)));
  auto settled = hn::Not(sound);
  for (int pass = 0; pass < few_passes && !hn::AllTrue(df, settled); ++pass) {
    const FewVec reach = hn::Mul(hn::Set(df, 1.5F), scale);
    const FewVec low = hn::Sub(centre, reach);
    const FewVec high = hn::Add(centre, reach);
    FewVec sum = hn::Zero(df);
    FewVec squares = hn::Zero(df);
    const float* p = first;
    for (std::size_t i = 0; i < s.subs; ++i, p += lanes) {
      const FewVec d = hn::Sub(hn::LoadU(df, p), pivot);
      const FewVec above = hn::IfThenElse(hn::Gt(d, low), d, low);
      const FewVec w = hn::IfThenElse(hn::Lt(above, high), above, high);
      sum = hn::Add(sum, w);
      squares = hn::Add(squares, hn::Mul(w, w));
    }
    const FewVec mean = hn::Div(sum, hn::Set(df, count));
    const FewVec rest = hn::Sub(squares, hn::Mul(sum, mean));
    const FewVec kept = hn::IfThenElseZero(hn::Gt(rest, hn::Zero(df)), rest);
    const FewVec variance = hn::Div(kept, hn::Set(df, count - 1.0F));
    const FewVec next = hn::Mul(hn::Set(df, 1.134F), hn::Sqrt(variance));
    const auto now =
        hn::Le(hn::Abs(hn::Sub(next, scale)), hn::Mul(hn::Set(df, few_settled), scale));
    // A lane that has settled stays as it is: its neighbours do not matter.
    centre = hn::IfThenElse(settled, centre, mean);
    scale = hn::IfThenElse(settled, scale, next);
    settled = hn::Or(settled, now);
  }
  const FewVec low = hn::Sub(centre, hn::Mul(hn::Set(df, few_margin * s.kappa_low), scale));
  const FewVec high = hn::Add(centre, hn::Mul(hn::Set(df, few_margin * s.kappa_high), scale));
  const auto inside = hn::And(hn::Ge(hn::Sub(hn::LoadU(df, first), pivot), low),
                              hn::Le(hn::Sub(hn::LoadU(df, last), pivot), high));
  return hn::And(hn::And(sound, settled), inside);
}

std::uint32_t few_suspects(const FewSamples& s) {
  const FewTag df;
  std::uint32_t clean = 0;
  for (std::size_t l = 0; l < lanes; l += hn::Lanes(df)) {
    std::uint8_t bits[8] = {};
    hn::StoreMaskBits(df, few_clean(s, l), bits);
    std::uint32_t word = 0;
    for (std::size_t b = 0; b < 4; ++b) word |= static_cast<std::uint32_t>(bits[b]) << (8 * b);
    if (hn::Lanes(df) < lanes) word &= (1U << hn::Lanes(df)) - 1U;
    clean |= word << l;
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
    const float mean = sum / count;
    const float rest = squares - sum * mean;
    const float next = 1.134F * std::sqrt((rest > 0.0F ? rest : 0.0F) / (count - 1.0F));
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
