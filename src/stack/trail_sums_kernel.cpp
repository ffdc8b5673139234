#include "stack/trail_sums_kernel.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stack/trail_sums_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stack::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET == HWY_SCALAR
void weigh_all(const Crossing* crossings, std::size_t count, CrossingSums* out) {
  plain::weigh(crossings, count, out);
}
#else
// Lanes: the matched sums of even and odd pixels, then the squares of both.
CrossingSums weigh_one(const Crossing& c) {
  const hn::FixedTag<float, 4> four;
  const hn::FixedTag<float, 2> two;
  if (c.count == 0) return {};
  const float* taps = c.taps + 2 * c.skip;
  auto sums = hn::Zero(four);
  std::size_t k = 0;
  for (; k + 2 <= c.count; k += 2) {
    const auto pixels = hn::Combine(four, hn::LoadU(two, c.good + k), hn::LoadU(two, c.value + k));
    sums = hn::Add(sums, hn::Mul(hn::LoadU(four, taps + 2 * k), pixels));
  }
  HWY_ALIGN float parts[4];
  hn::Store(sums, four, parts);
  if (k < c.count) {
    parts[0] += taps[2 * k] * c.value[k];
    parts[2] += taps[2 * k + 2] * c.good[k];
  }
  return {parts[0] + parts[1], parts[2] + parts[3]};
}

void weigh_all(const Crossing* crossings, std::size_t count, CrossingSums* out) {
  for (std::size_t i = 0; i < count; ++i) {
    if (crossings[i].skip % 2 == 0) {
      out[i] = weigh_one(crossings[i]);
    } else {  // the groups begin elsewhere; rare
      plain::weigh(crossings + i, 1, out + i);
    }
  }
}
#endif

}  // namespace coldframe::stack::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stack::detail {
namespace {
HWY_EXPORT(weigh_all);
}  // namespace

namespace plain {

void weigh(const Crossing* crossings, std::size_t count, CrossingSums* out) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const Crossing& c = crossings[i];
    CrossingSums sums[2];
    for (std::size_t k = 0; k < c.count; ++k) {
      const std::size_t tap = c.skip + k;
      const float* weights = c.taps + 4 * (tap / 2) + tap % 2;
      sums[k % 2].matched += weights[0] * c.value[k];
      sums[k % 2].square += weights[2] * c.good[k];
    }
    out[i] = {sums[0].matched + sums[1].matched, sums[0].square + sums[1].square};
  }
}

}  // namespace plain

void weigh(const Crossing* crossings, std::size_t count, CrossingSums* out) noexcept {
  HWY_DYNAMIC_DISPATCH(weigh_all)(crossings, count, out);
}

}  // namespace coldframe::stack::detail
#endif
