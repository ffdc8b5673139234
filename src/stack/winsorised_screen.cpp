#include "stack/winsorised_screen.hpp"

#include <cmath>

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

bool suspect(const Segment& s, std::size_t lane, const WinsorisedLimits& limits) noexcept {
  constexpr float wide = std::numeric_limits<float>::max();
  const Sums plain = sums_of(s, lane, 0.0F, -wide, wide);
  if (plain.count < screen_least) return plain.count > 2.0F;
  const float pivot = plain.sum / plain.count;
  const Sums about = sums_of(s, lane, pivot, -wide, wide);
  float centre = about.sum / about.count;
  float scale = scale_of(about, centre, 1.0F);
  bool settled = false;
  for (int pass = 0; pass < screen_passes && !settled; ++pass) {
    const float reach = 1.5F * scale;
    const Sums r = sums_of(s, lane, pivot, centre - reach, centre + reach);
    const float next_centre = r.sum / r.count;
    const float next = scale_of(r, next_centre, 1.134F);
    settled = std::fabs(next - scale) <= screen_settled * scale;
    centre = next_centre;
    scale = next;
  }
  if (!settled) return true;
  const float light = pivot - limits.pedestal;
  const float noise = limits.constant + limits.slope * (light > 0.0F ? light : 0.0F);
  if (!(scale * scale <= screen_excess * noise)) return true;
  const float low = centre - screen_margin * limits.kappa_low * scale;
  const float high = centre + screen_margin * limits.kappa_high * scale;
  for (std::size_t i = 0; i < s.subs.size(); ++i) {
    const float d = s.at(i, lane) - pivot;
    if (d < low || d > high) return true;
  }
  return false;
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
