#include <algorithm>
#include <cmath>
#include <limits>

#include "stack/order_screen.hpp"
#include "stack/segment.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stack/order_screen_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stack::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

using Floats = hn::CappedTag<float, lanes>;
using V = hn::Vec<Floats>;

// Shares of the scale and of the level that single precision may err by, with room to spare.
constexpr float of_scale = 1e-4F;
constexpr float of_level = 1e-6F;

/// The `rank`-th smallest distance (from 1) of one vector of lanes from `centre`.
HWY_INLINE V distance_of_rank(const float* p, std::size_t n, std::size_t rank, V centre) {
  const Floats d;
  const std::size_t left = n / 2;
  const std::size_t right = n - left;
  const auto a = [&](std::size_t t) {
    return hn::Sub(centre, hn::LoadU(d, p + (left - 1 - t) * lanes));
  };
  const auto b = [&](std::size_t t) {
    return hn::Sub(hn::LoadU(d, p + (left + t) * lanes), centre);
  };
  // i of them on the left, the rest on the right.
  V least = hn::Set(d, std::numeric_limits<float>::infinity());
  if (rank <= right) least = hn::Min(least, b(rank - 1));
  if (rank <= left) least = hn::Min(least, a(rank - 1));
  const std::size_t first = rank > right ? rank - right : 1;
  const std::size_t last = std::min(left, rank - 1);
  for (std::size_t i = std::max(first, std::size_t{1}); i <= last; ++i) {
    least = hn::Min(least, hn::Max(a(i - 1), b(rank - i - 1)));
  }
  return least;
}

std::uint32_t screen(const float* sorted, std::size_t n, const OrderScreen& limits) {
  const Floats d;
  const V half = hn::Set(d, 0.5F);
  std::uint32_t proven = 0;
  for (std::size_t l = 0; l < lanes; l += hn::Lanes(d)) {
    const float* p = sorted + l;
    const V upper = hn::LoadU(d, p + n / 2 * lanes);
    const V lower = hn::LoadU(d, p + (n - 1) / 2 * lanes);
    const V centre = hn::Mul(half, hn::Add(lower, upper));
    const V first = distance_of_rank(p, n, (n + 1) / 2, centre);
    const V second = n % 2 == 1 ? first : distance_of_rank(p, n, n / 2 + 1, centre);
    const V scale = hn::Mul(half, hn::Add(first, second));
    const V margin = hn::Add(hn::Mul(hn::Set(d, of_scale), scale),
                             hn::Mul(hn::Set(d, of_level), hn::Abs(centre)));
    const V down = hn::Sub(hn::Mul(hn::Set(d, limits.low), scale), margin);
    const V up = hn::Sub(hn::Mul(hn::Set(d, limits.high), scale), margin);
    const V lowest = hn::Sub(centre, hn::LoadU(d, p));
    const V highest = hn::Sub(hn::LoadU(d, p + (n - 1) * lanes), centre);
    // Not finite anywhere: every comparison is false, so the lane stays a suspect.
    const auto clean =
        hn::And(hn::And(hn::Le(lowest, down), hn::Le(highest, up)), hn::Gt(scale, hn::Zero(d)));
    std::uint8_t bits[8] = {};
    hn::StoreMaskBits(d, clean, bits);
    std::uint32_t word = 0;
    for (std::size_t k = 0; k < 4; ++k) word |= static_cast<std::uint32_t>(bits[k]) << (8 * k);
    if (hn::Lanes(d) < lanes) word &= (1U << hn::Lanes(d)) - 1U;
    proven |= word << l;
  }
  return ~proven;
}

}  // namespace coldframe::stack::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stack::detail {
namespace {
HWY_EXPORT(screen);
}

namespace plain {

std::uint32_t screen_kappa_sigma(std::span<const float> sorted, std::size_t n,
                                 const OrderScreen& limits) noexcept {
  constexpr float of_scale = 1e-4F;
  constexpr float of_level = 1e-6F;
  std::uint32_t suspects = 0;
  for (std::size_t l = 0; l < lanes; ++l) {
    const auto v = [&](std::size_t k) { return sorted[k * lanes + l]; };
    const float centre = 0.5F * (v((n - 1) / 2) + v(n / 2));
    const auto distance_of_rank = [&](std::size_t rank) {
      const std::size_t left = n / 2;
      float least = std::numeric_limits<float>::infinity();
      for (std::size_t i = 0; i <= std::min(left, rank); ++i) {
        if (rank - i > n - left) continue;
        const float a = i > 0 ? centre - v(left - i) : -std::numeric_limits<float>::infinity();
        const float b =
            rank > i ? v(left + rank - i - 1) - centre : -std::numeric_limits<float>::infinity();
        least = std::min(least, std::max(a, b));
      }
      return least;
    };
    const float first = distance_of_rank((n + 1) / 2);
    const float second = n % 2 == 1 ? first : distance_of_rank(n / 2 + 1);
    const float scale = 0.5F * (first + second);
    const float margin = of_scale * scale + of_level * std::fabs(centre);
    const bool clean = centre - v(0) <= limits.low * scale - margin &&
                       v(n - 1) - centre <= limits.high * scale - margin && scale > 0.0F;
    if (!clean) suspects |= 1U << l;
  }
  return suspects;
}

}  // namespace plain

std::uint32_t screen_kappa_sigma(std::span<const float> sorted, std::size_t samples,
                                 const OrderScreen& limits) noexcept {
  return HWY_DYNAMIC_DISPATCH(screen)(sorted.data(), samples, limits);
}

}  // namespace coldframe::stack::detail
#endif
