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

/// As `Lane` of the scalar version.
struct WinsorStart {
  ScreenVec pivot, centre, scale, least, greatest, noise;
};

HWY_INLINE WinsorStart winsor_start(const LaneSamples& s, ScreenVec pivot,
                                    const WinsorisedLimits& limits) {
  const ScreenTag df;
  WinsorStart r;
  WinsorSums sums{hn::Zero(df), hn::Zero(df), hn::Zero(df)};
  const ScreenVec one = hn::Set(df, 1.0F);
  r.pivot = pivot;
  r.least = hn::Set(df, std::numeric_limits<float>::max());
  r.greatest = hn::Neg(r.least);
  const float* p = s.first;
  for (std::size_t i = 0; i < s.subs; ++i, p += lanes) {
    const ScreenVec v = hn::LoadU(df, p);
    const auto usable = hn::Eq(v, v);
    const ScreenVec d = hn::Sub(v, pivot);
    const ScreenVec w = hn::IfThenElseZero(usable, d);
    sums.count = hn::Add(sums.count, hn::IfThenElseZero(usable, one));
    sums.sum = hn::Add(sums.sum, w);
    sums.squares = hn::Add(sums.squares, hn::Mul(w, w));
    r.least = hn::IfThenElse(hn::Lt(d, r.least), d, r.least);
    r.greatest = hn::IfThenElse(hn::Gt(d, r.greatest), d, r.greatest);
  }
  r.centre = hn::Div(sums.sum, sums.count);
  r.scale = winsor_scale(sums, r.centre, 1.0F);
  const ScreenVec light = hn::Sub(pivot, hn::Set(df, limits.pedestal));
  const ScreenVec bright = hn::IfThenElseZero(hn::Gt(light, hn::Zero(df)), light);
  r.noise = hn::Add(hn::Set(df, limits.constant), hn::Mul(hn::Set(df, limits.slope), bright));
  return r;
}

HWY_INLINE hn::Mask<ScreenTag> winsor_calm(ScreenVec scale, ScreenVec noise) {
  const ScreenTag df;
  return hn::Le(hn::Mul(scale, scale), hn::Mul(hn::Set(df, screen_excess), noise));
}

HWY_INLINE ScreenVec needed_scale(const WinsorStart& start, ScreenVec centre,
                                  const WinsorisedLimits& limits) {
  const ScreenTag df;
  const ScreenVec below =
      hn::Div(hn::Sub(centre, start.least), hn::Set(df, screen_margin * limits.kappa_low));
  const ScreenVec above =
      hn::Div(hn::Sub(start.greatest, centre), hn::Set(df, screen_margin * limits.kappa_high));
  return hn::IfThenElse(hn::Gt(below, above), below, above);
}

HWY_INLINE hn::Mask<ScreenTag> clearly_clean(const LaneSamples& s, const WinsorStart& start,
                                             const WinsorisedLimits& limits) {
  const ScreenTag df;
  const auto calm = winsor_calm(hn::Mul(hn::Set(df, 1.134F), start.scale), start.noise);
  const auto pass = [&](ScreenVec centre, ScreenVec needed) HWY_ATTR {
    const ScreenVec reach = hn::Mul(hn::Set(df, 1.5F), needed);
    return winsor_sums(s, start.pivot, hn::Sub(centre, reach), hn::Add(centre, reach));
  };
  const WinsorSums first = pass(start.centre, needed_scale(start, start.centre, limits));
  const ScreenVec centre = hn::Div(first.sum, first.count);
  const ScreenVec needed = needed_scale(start, centre, limits);
  const WinsorSums second = pass(centre, needed);
  const ScreenVec next = hn::Div(second.sum, second.count);
  const ScreenVec scale = winsor_scale(second, next, 1.134F);
  const auto grown = hn::Ge(scale, hn::Mul(hn::Set(df, screen_growth), needed));
  const ScreenVec shift = hn::Abs(hn::Sub(next, centre));
  const auto steady = hn::Le(shift, hn::Mul(hn::Set(df, screen_shift), needed));
  return hn::And(calm, hn::And(grown, steady));
}

/// Lanes of one vector that must be judged by the rule.
HWY_INLINE hn::Mask<ScreenTag> winsor_suspects(const LaneSamples& s,
                                               const WinsorisedLimits& limits) {
  const ScreenTag df;
  const ScreenVec wide = hn::Set(df, std::numeric_limits<float>::max());
  const WinsorSums all = winsor_sums(s, hn::Zero(df), hn::Neg(wide), wide);
  const auto enough = hn::Ge(all.count, hn::Set(df, screen_least));
  const auto few = hn::AndNot(enough, hn::Gt(all.count, hn::Set(df, 2.0F)));
  const WinsorStart start = winsor_start(s, hn::Div(all.sum, all.count), limits);
  auto settled = hn::Or(hn::Not(enough), clearly_clean(s, start, limits));
  const auto open = hn::Not(settled);
  if (hn::AllFalse(df, open)) return few;
  ScreenVec centre = start.centre;
  ScreenVec scale = start.scale;
  const ScreenVec limit = hn::Set(df, 1.5F);
  for (int pass = 0; pass < screen_passes && !hn::AllTrue(df, settled); ++pass) {
    const ScreenVec reach = hn::Mul(limit, scale);
    const WinsorSums r =
        winsor_sums(s, start.pivot, hn::Sub(centre, reach), hn::Add(centre, reach));
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
  const auto sound = hn::And(settled, winsor_calm(scale, start.noise));
  const auto beyond = hn::Or(hn::Lt(start.least, low), hn::Gt(start.greatest, high));
  return hn::Or(hn::And(open, hn::Or(hn::Not(sound), beyond)), few);
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
