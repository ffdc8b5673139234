#include "stack/radon_kernel.hpp"

#include <algorithm>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stack/radon_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stack::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

using Floats = hn::ScalableTag<float>;

void sum_of_two(const float* a, const float* b, std::size_t count, float* out) {
  const Floats d;
  const std::size_t step = hn::Lanes(d);
  std::size_t i = 0;
  for (; i + step <= count; i += step) {
    hn::StoreU(hn::Add(hn::LoadU(d, a + i), hn::LoadU(d, b + i)), d, out + i);
  }
  for (; i < count; ++i) out[i] = a[i] + b[i];
}

void highest(const float* v, std::size_t count, float* fours, HighestSums& top) {
  const Floats d;
  const std::size_t step = hn::Lanes(d);
  auto one_most = hn::Zero(d), two_most = hn::Zero(d);
  auto four_most = hn::Zero(d), eight_most = hn::Zero(d);
  std::size_t i = 0;
  for (; i + step + 3 <= count; i += step) {
    const auto one = hn::LoadU(d, v + i);
    const auto two = hn::Add(one, hn::LoadU(d, v + i + 1));
    const auto four = hn::Add(two, hn::Add(hn::LoadU(d, v + i + 2), hn::LoadU(d, v + i + 3)));
    hn::StoreU(four, d, fours + i);
    one_most = hn::Max(one_most, one);
    two_most = hn::Max(two_most, two);
    four_most = hn::Max(four_most, four);
  }
  const std::size_t rest = i;
  std::size_t k = 0;
  for (; k + step + 4 <= rest; k += step) {
    const auto eight = hn::Add(hn::LoadU(d, fours + k), hn::LoadU(d, fours + k + 4));
    eight_most = hn::Max(eight_most, eight);
  }
  top = {hn::GetLane(hn::MaxOfLanes(d, one_most)), hn::GetLane(hn::MaxOfLanes(d, two_most)),
         hn::GetLane(hn::MaxOfLanes(d, four_most)), hn::GetLane(hn::MaxOfLanes(d, eight_most))};
  // The ends, one by one.
  for (; i + 3 < count; ++i) {
    const float two = v[i] + v[i + 1];
    fours[i] = two + (v[i + 2] + v[i + 3]);
    top[0] = std::max(top[0], v[i]);
    top[1] = std::max(top[1], two);
    top[2] = std::max(top[2], fours[i]);
  }
  for (; k + 7 < count; ++k) top[3] = std::max(top[3], fours[k] + fours[k + 4]);
}

}  // namespace coldframe::stack::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stack::detail {
namespace {
HWY_EXPORT(sum_of_two);
HWY_EXPORT(highest);
}  // namespace

namespace plain {

void add(const float* a, const float* b, std::size_t count, float* out) noexcept {
  for (std::size_t i = 0; i < count; ++i) out[i] = a[i] + b[i];
}

HighestSums highest_sums(const float* v, std::size_t count, float* fours) noexcept {
  HighestSums top{};
  for (std::size_t i = 0; i + 3 < count; ++i) {
    const float two = v[i] + v[i + 1];
    fours[i] = two + (v[i + 2] + v[i + 3]);
    top[0] = std::max(top[0], v[i]);
    top[1] = std::max(top[1], two);
    top[2] = std::max(top[2], fours[i]);
  }
  for (std::size_t k = 0; k + 7 < count; ++k) top[3] = std::max(top[3], fours[k] + fours[k + 4]);
  return top;
}

}  // namespace plain

void add(const float* a, const float* b, std::size_t count, float* out) noexcept {
  HWY_DYNAMIC_DISPATCH(sum_of_two)(a, b, count, out);
}

HighestSums highest_sums(const float* values, std::size_t count, float* fours) noexcept {
  HighestSums top;
  HWY_DYNAMIC_DISPATCH(highest)(values, count, fours, top);
  return top;
}

}  // namespace coldframe::stack::detail
#endif
