#include "core/select_kernel.hpp"

#include <algorithm>
#include <bit>
#include <cstdint>
#include <limits>
#include <vector>

#include "coldframe/core/statistics.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "core/select_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

/// Integers in the order of the floats (sign and magnitude to two's complement).
template <class D, class V>
HWY_INLINE V ordered(D d, V bits) {
  return hn::Xor(bits, hn::And(hn::ShiftRight<31>(bits), hn::Set(d, 0x7fffffff)));
}

constexpr std::size_t few = 1024;

/// The k-th of the `left` values with keys from low to high; at most `few`.
float select_among(const float* HWY_RESTRICT values, std::size_t count, std::size_t k,
                   std::int32_t low, std::int32_t high) {
  const hn::ScalableTag<std::int32_t> d;
  const hn::Rebind<float, decltype(d)> df;
  const std::size_t lanes = hn::Lanes(d);
  HWY_ALIGN std::int32_t keys[few + 2 * hn::MaxLanes(d)];
  std::size_t found = 0;
  const auto least = hn::Set(d, low);
  const auto most = hn::Set(d, high);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto key = ordered(d, hn::BitCast(d, hn::LoadU(df, values + i)));
    const auto outside = hn::Or(hn::Lt(key, least), hn::Gt(key, most));
    if (!hn::AllTrue(d, outside))
      found += hn::CompressStore(key, hn::Not(outside), d, keys + found);
  }
  for (; i < count; ++i) {
    const auto bits = std::bit_cast<std::int32_t>(values[i]);
    const std::int32_t key = bits ^ ((bits >> 31) & 0x7fffffff);
    if (key >= low && key <= high) keys[found++] = key;
  }
  // Filled up with what counts as above any pivot.
  const std::size_t whole = (found + lanes - 1) / lanes * lanes;
  for (std::size_t pad = found; pad < whole; ++pad) {
    keys[pad] = std::numeric_limits<std::int32_t>::max();
  }
  std::int64_t first = low;
  std::int64_t last = high;
  std::size_t before = 0;     // keys below first
  std::size_t up_to = found;  // keys up to last
  while (first < last && up_to - before > 1) {
    const std::int64_t middle = first + (last - first) / 2;
    const auto pivot = hn::Set(d, static_cast<std::int32_t>(middle));
    auto above = hn::Zero(d);  // minus their number
    for (std::size_t j = 0; j < whole; j += lanes) {
      above = hn::Add(above, hn::VecFromMask(d, hn::Gt(hn::Load(d, keys + j), pivot)));
    }
    const auto over = static_cast<std::size_t>(-hn::GetLane(hn::SumOfLanes(d, above)));
    // Chosen, not branched on: which way it goes cannot be foreseen.
    const std::size_t counted = whole - over;
    const bool down = counted > k;
    last = down ? middle : last;
    up_to = down ? counted : up_to;
    first = down ? first : middle + 1;
    before = down ? before : counted;
  }
  if (first < last) {  // one key is left: the least of those from first on
    const auto from = hn::Set(d, static_cast<std::int32_t>(first));
    const auto top = hn::Set(d, std::numeric_limits<std::int32_t>::max());
    auto next = top;
    for (std::size_t j = 0; j < whole; j += lanes) {
      const auto key = hn::Load(d, keys + j);
      next = hn::Min(next, hn::IfThenElse(hn::Lt(key, from), top, key));
    }
    first = hn::GetLane(hn::MinOfLanes(d, next));
  }
  const auto key = static_cast<std::int32_t>(first);
  return std::bit_cast<float>(key ^ ((key >> 31) & 0x7fffffff));
}

/// Bisection on the values' own order as integers: what is compared is counted, never moved, until
/// few are left between the ends.
float select_vectors(const float* HWY_RESTRICT values, std::size_t count, std::size_t k) {
  const hn::ScalableTag<std::int32_t> d;
  const hn::Rebind<float, decltype(d)> df;
  const std::size_t lanes = hn::Lanes(d);
  const std::size_t whole = count / lanes * lanes;
  constexpr std::int32_t bottom = std::numeric_limits<std::int32_t>::min();
  constexpr std::int32_t top = std::numeric_limits<std::int32_t>::max();
  auto least = hn::Set(d, top);
  auto most = hn::Set(d, bottom);
  for (std::size_t i = 0; i < whole; i += lanes) {
    const auto key = ordered(d, hn::BitCast(d, hn::LoadU(df, values + i)));
    least = hn::Min(least, key);
    most = hn::Max(most, key);
  }
  std::int64_t low = hn::GetLane(hn::MinOfLanes(d, least));
  std::int64_t high = hn::GetLane(hn::MaxOfLanes(d, most));
  for (std::size_t i = whole; i < count; ++i) {
    const auto bits = std::bit_cast<std::int32_t>(values[i]);
    const std::int64_t key = bits ^ ((bits >> 31) & 0x7fffffff);
    low = std::min(low, key);
    high = std::max(high, key);
  }
  std::size_t below = 0;      // values before low
  std::size_t up_to = count;  // values up to high
  while (low < high) {
    if (up_to - below <= few) {
      return select_among(values, count, k - below, static_cast<std::int32_t>(low),
                          static_cast<std::int32_t>(high));
    }
    const std::int64_t middle = low + (high - low) / 2;
    const auto pivot = hn::Set(d, static_cast<std::int32_t>(middle));
    auto above = hn::Zero(d);  // minus their number
    for (std::size_t i = 0; i < whole; i += lanes) {
      const auto key = ordered(d, hn::BitCast(d, hn::LoadU(df, values + i)));
      above = hn::Add(above, hn::VecFromMask(d, hn::Gt(key, pivot)));
    }
    auto over = static_cast<std::size_t>(-hn::GetLane(hn::SumOfLanes(d, above)));
    for (std::size_t i = whole; i < count; ++i) {
      const auto bits = std::bit_cast<std::int32_t>(values[i]);
      over += (bits ^ ((bits >> 31) & 0x7fffffff)) > middle ? std::size_t{1} : std::size_t{0};
    }
    if (count - over > k) {
      high = middle;
      up_to = count - over;
    } else {
      low = middle + 1;
      below = count - over;
    }
  }
  const auto key = static_cast<std::int32_t>(low);
  return std::bit_cast<float>(key ^ ((key >> 31) & 0x7fffffff));
}

/// Keys below that of the k-th value are counted; the largest of them is the one before it.
float before_vectors(const float* HWY_RESTRICT values, std::size_t count, float kth,
                     std::size_t k) {
  const hn::ScalableTag<std::int32_t> d;
  const hn::Rebind<float, decltype(d)> df;
  const std::size_t lanes = hn::Lanes(d);
  constexpr std::int32_t bottom = std::numeric_limits<std::int32_t>::min();
  const auto bits_of_kth = std::bit_cast<std::int32_t>(kth);
  const std::int32_t limit = bits_of_kth ^ ((bits_of_kth >> 31) & 0x7fffffff);
  const auto limits = hn::Set(d, limit);
  const auto none = hn::Set(d, bottom);
  auto most = none;
  auto lesser = hn::Zero(d);  // minus their number
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto key = ordered(d, hn::BitCast(d, hn::LoadU(df, values + i)));
    const auto less = hn::Lt(key, limits);
    most = hn::Max(most, hn::IfThenElse(less, key, none));
    lesser = hn::Add(lesser, hn::VecFromMask(d, less));
  }
  std::int32_t largest = hn::GetLane(hn::MaxOfLanes(d, most));
  auto below = static_cast<std::size_t>(-hn::GetLane(hn::SumOfLanes(d, lesser)));
  for (; i < count; ++i) {
    const auto bits = std::bit_cast<std::int32_t>(values[i]);
    const std::int32_t key = bits ^ ((bits >> 31) & 0x7fffffff);
    largest = std::max(largest, key < limit ? key : bottom);
    below += key < limit ? std::size_t{1} : std::size_t{0};
  }
  if (below < k) return kth;  // equal ones lie below
  return std::bit_cast<float>(largest ^ ((largest >> 31) & 0x7fffffff));
}

}  // namespace coldframe::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe {
namespace {
HWY_EXPORT(select_vectors);
HWY_EXPORT(before_vectors);
}  // namespace

float kth_smallest(std::span<const float> values, std::size_t k) noexcept {
  return HWY_DYNAMIC_DISPATCH(select_vectors)(values.data(), values.size(), k);
}

float value_before(std::span<const float> values, float kth, std::size_t k) noexcept {
  return HWY_DYNAMIC_DISPATCH(before_vectors)(values.data(), values.size(), kth, k);
}

float kth_smallest_scalar(const float* values, std::size_t count, std::size_t k) noexcept {
  std::vector<float> copy(values, values + count);
  std::nth_element(copy.begin(), copy.begin() + static_cast<std::ptrdiff_t>(k), copy.end());
  return copy[k];
}

}  // namespace coldframe
#endif
