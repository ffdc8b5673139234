#include "stack/winsorised_screen.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stack/winsorised_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stack::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

// No register is wider than a segment.
using ScreenTag = hn::CappedTag<float, lanes>;
using ScreenVec = hn::Vec<ScreenTag>;

struct LaneSamples {
  const float* first;
  std::size_t subs;
};

struct WinsorSums {
  ScreenVec count, sum, squares;
};

HWY_INLINE WinsorSums winsor_sums(const LaneSamples& s, ScreenVec pivot, ScreenVec low,
                                  ScreenVec high) {
  const ScreenTag df;
  const ScreenVec one = hn::Set(df, 1.0F);
  WinsorSums r{hn::Zero(df), hn::Zero(df), hn::Zero(df)};
  const float* p = s.first;
  for (std::size_t i = 0; i < s.subs; ++i, p += lanes) {
    const ScreenVec v = hn::LoadU(df, p);
    const auto usable = hn::Eq(v, v);
    const ScreenVec d = hn::Sub(v, pivot);
    const ScreenVec above = hn::IfThenElse(hn::Gt(d, low), d, low);
    const ScreenVec w =
        hn::IfThenElseZero(usable, hn::IfThenElse(hn::Lt(above, high), above, high));
    r.count = hn::Add(r.count, hn::IfThenElseZero(usable, one));
    r.sum = hn::Add(r.sum, w);
    r.squares = hn::Add(r.squares, hn::Mul(w, w));
  }
  return r;
}

HWY_INLINE ScreenVec winsor_scale(const WinsorSums& r, ScreenVec mean, float consistency) {
  const ScreenTag df;
  const ScreenVec rest = hn::Sub(r.squares, hn::Mul(r.sum, mean));
  const ScreenVec kept = hn::IfThenElseZero(hn::Gt(rest, hn::Zero(df)), rest);
  const ScreenVec variance = hn::Div(kept, hn::Sub(r.count, hn::Set(df, 1.0F)));
  return hn::Mul(hn::Set(df, consistency), hn::Sqrt(variance));
}

/// Lanes of one vector that must be judged by the rule.
HWY_INLINE hn::Mask<ScreenTag> winsor_suspects(const LaneSamples& s,
                                               const WinsorisedLimits& limits) {
  const ScreenTag df;
  const ScreenVec wide = hn::Set(df, std::numeric_limits<float>::max());
  const WinsorSums all = winsor_sums(s, hn::Zero(df), hn::Neg(wide), wide);
  const auto enough = hn::Ge(all.count, hn::Set(df, screen_least));
  const auto few = hn::AndNot(enough, hn::Gt(all.count, hn::Set(df, 2.0F)));
  const ScreenVec pivot = hn::Div(all.sum, all.count);
  const WinsorSums about = winsor_sums(s, pivot, hn::Neg(wide), wide);
  ScreenVec centre = hn::Div(about.sum, about.count);
  ScreenVec scale = winsor_scale(about, centre, 1.0F);
  const ScreenVec limit = hn::Set(df, 1.5F);
  auto settled = hn::Not(enough);
  for (int pass = 0; pass < screen_passes && !hn::AllTrue(df, settled); ++pass) {
    const ScreenVec reach = hn::Mul(limit, scale);
    const WinsorSums r = winsor_sums(s, pivot, hn::Sub(centre, reach), hn::Add(centre, reach));
    const ScreenVec next_centre = hn::Div(r.sum, r.count);
    const ScreenVec next = winsor_scale(r, next_centre, 1.134F);
    const auto now =
        hn::Le(hn::Abs(hn::Sub(next, scale)), hn::Mul(hn::Set(df, screen_settled), scale));
    // A lane that has settled stays as it is: its neighbours do not matter.
    centre = hn::IfThenElse(settled, centre, next_centre);
    scale = hn::IfThenElse(settled, scale, next);
    settled = hn::Or(settled, now);
  }
  const ScreenVec low =
      hn::Sub(centre, hn::Mul(hn::Set(df, screen_margin * limits.kappa_low), scale));
  const ScreenVec high =
      hn::Add(centre, hn::Mul(hn::Set(df, screen_margin * limits.kappa_high), scale));
  const ScreenVec light = hn::Sub(pivot, hn::Set(df, limits.pedestal));
  const ScreenVec bright = hn::IfThenElseZero(hn::Gt(light, hn::Zero(df)), light);
  const ScreenVec noise =
      hn::Add(hn::Set(df, limits.constant), hn::Mul(hn::Set(df, limits.slope), bright));
  const auto calm = hn::Le(hn::Mul(scale, scale), hn::Mul(hn::Set(df, screen_excess), noise));
  auto out = hn::Not(hn::And(settled, calm));
  const float* p = s.first;
  for (std::size_t i = 0; i < s.subs; ++i, p += lanes) {
    const ScreenVec d = hn::Sub(hn::LoadU(df, p), pivot);
    out = hn::Or(out, hn::Or(hn::Lt(d, low), hn::Gt(d, high)));
  }
  return hn::Or(hn::And(out, enough), few);
}

std::uint32_t winsor_screen(const Segment& s, const WinsorisedLimits& limits) {
  const ScreenTag df;
  std::uint32_t suspects = 0;
  for (std::size_t l = 0; l < lanes; l += hn::Lanes(df)) {
    const auto suspect = winsor_suspects({s.values.data() + l, s.subs.size()}, limits);
    std::uint8_t bits[8] = {};
    hn::StoreMaskBits(df, suspect, bits);
    std::uint32_t word = 0;
    for (std::size_t b = 0; b < 4; ++b) word |= static_cast<std::uint32_t>(bits[b]) << (8 * b);
    if (hn::Lanes(df) < lanes) word &= (1U << hn::Lanes(df)) - 1U;
    suspects |= word << l;
  }
  return suspects;
}

}  // namespace coldframe::stack::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stack::detail {
namespace {
HWY_EXPORT(winsor_screen);
}  // namespace

std::uint32_t screen_winsorised(const Segment& segment, const WinsorisedLimits& limits) noexcept {
  return HWY_DYNAMIC_DISPATCH(winsor_screen)(segment, limits);
}

}  // namespace coldframe::stack::detail
#endif
