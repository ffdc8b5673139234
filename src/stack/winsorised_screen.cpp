#include "stack/winsorised_screen.hpp"

#include <cmath>
#include <limits>

namespace coldframe::stack::detail::plain {
namespace {

/// Sums over the usable samples of one lane about `pivot`, Winsorised at low and high.
struct Sums {
  float count = 0.0F;
  float sum = 0.0F;
  float squares = 0.0F;
};

Sums sums_of(const Segment& s, std::size_t lane, float pivot, float low, float high) noexcept {
  Sums r;
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float v = s.at(i, lane);
    if (!(v == v)) continue;
    const float d = v - pivot;
    const float above = d > low ? d : low;
    const float w = above < high ? above : high;
    r.count += 1.0F;
    r.sum += w;
    r.squares += w * w;
  }
  return r;
}

float scale_of(const Sums& r, float mean, float consistency) noexcept {
  const float rest = r.squares - r.sum * mean;
  const float variance = (rest > 0.0F ? rest : 0.0F) / (r.count - 1.0F);
  return consistency * std::sqrt(variance);
}

/// What is known of a lane before any pass of the algorithm; distances from `pivot`.
struct Lane {
  Sums sums;
  float pivot = 0.0F;
  float centre = 0.0F;
  float scale = 0.0F;
  float least = std::numeric_limits<float>::max();
  float greatest = -std::numeric_limits<float>::max();
};

Lane look_at(const Segment& s, std::size_t lane, float pivot) noexcept {
  constexpr float wide = std::numeric_limits<float>::max();
  Lane r;
  r.pivot = pivot;
  r.sums = sums_of(s, lane, pivot, -wide, wide);
  r.centre = r.sums.sum / r.sums.count;
  r.scale = scale_of(r.sums, r.centre, 1.0F);
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float d = s.at(i, lane) - pivot;
    r.least = d < r.least ? d : r.least;
    r.greatest = d > r.greatest ? d : r.greatest;
  }
  return r;
}

/// Least scale at which no sample lies beyond the limits about a centre.
float needed_scale(const Lane& lane, float centre, const WinsorisedLimits& limits) noexcept {
  const float below = (centre - lane.least) / (screen_margin * limits.kappa_low);
  const float above = (lane.greatest - centre) / (screen_margin * limits.kappa_high);
  return below > above ? below : above;
}

float noise_of(const Lane& lane, const WinsorisedLimits& limits) noexcept {
  const float light = lane.pivot - limits.pedestal;
  return limits.constant + limits.slope * (light > 0.0F ? light : 0.0F);
}

/// Passes of the algorithm from the needed scale: when it grows, the fixed point lies above.
bool clearly_clean(const Segment& s, std::size_t lane, const Lane& start,
                   const WinsorisedLimits& limits) noexcept {
  const float widest = 1.134F * start.scale;
  if (!(widest * widest <= screen_excess * noise_of(start, limits))) return false;
  const auto pass = [&](float centre, float needed) {
    const float reach = 1.5F * needed;
    return sums_of(s, lane, start.pivot, centre - reach, centre + reach);
  };
  const Sums first = pass(start.centre, needed_scale(start, start.centre, limits));
  const float centre = first.sum / first.count;
  const float needed = needed_scale(start, centre, limits);
  const Sums second = pass(centre, needed);
  const float next = second.sum / second.count;
  return scale_of(second, next, 1.134F) >= screen_growth * needed &&
         std::fabs(next - centre) <= screen_shift * needed;
}

bool suspect(const Segment& s, std::size_t lane, const WinsorisedLimits& limits) noexcept {
  constexpr float wide = std::numeric_limits<float>::max();
  const Sums plain = sums_of(s, lane, 0.0F, -wide, wide);
  if (plain.count < screen_least) return plain.count > 2.0F;
  const Lane start = look_at(s, lane, plain.sum / plain.count);
  if (clearly_clean(s, lane, start, limits)) return false;
  float centre = start.centre;
  float scale = start.scale;
  bool settled = false;
  for (int pass = 0; pass < screen_passes && !settled; ++pass) {
    const float reach = 1.5F * scale;
    const Sums r = sums_of(s, lane, start.pivot, centre - reach, centre + reach);
    const float next_centre = r.sum / r.count;
    const float next = scale_of(r, next_centre, 1.134F);
    settled = std::fabs(next - scale) <= screen_settled * scale;
    centre = next_centre;
    scale = next;
  }
  if (!settled || !(scale * scale <= screen_excess * noise_of(start, limits))) return true;
  return start.least < centre - screen_margin * limits.kappa_low * scale ||
         start.greatest > centre + screen_margin * limits.kappa_high * scale;
}

}  // namespace

std::uint32_t screen_winsorised(const Segment& segment, const WinsorisedLimits& limits) noexcept {
  std::uint32_t suspects = 0;
  for (std::size_t l = 0; l < lanes; ++l) {
    if (suspect(segment, l, limits)) suspects |= std::uint32_t{1} << l;
  }
  return suspects;
}

}  // namespace coldframe::stack::detail::plain
