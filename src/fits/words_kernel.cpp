#include "fits/words_kernel.hpp"

#include <bit>
#include <cstring>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "fits/words_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::fits::detail::HWY_NAMESPACE {

namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET != HWY_SCALAR  // one lane holds no two words: the scalar loop is that target
template <class V>
V swapped(V word) {
  const hn::DFromV<V> tag;
  const auto inner = hn::Set(tag, 0xFF00U);
  const auto high = hn::Or(hn::ShiftLeft<24>(word), hn::ShiftLeft<8>(hn::And(word, inner)));
  const auto low = hn::Or(hn::ShiftRight<24>(word), hn::And(hn::ShiftRight<8>(word), inner));
  return hn::Or(high, low);
}

/// Both words of every pair of lanes, widened so that no carry is lost.
template <class V>
auto pairs(V word) {
  const hn::Repartition<std::uint64_t, hn::DFromV<V>> wide;
  const auto both = hn::BitCast(wide, word);
  return hn::Add(hn::And(both, hn::Set(wide, 0xFFFFFFFFU)), hn::ShiftRight<32>(both));
}
#endif

std::uint64_t encode_vectors(const float* HWY_RESTRICT values, std::uint8_t* HWY_RESTRICT out,
                             std::size_t count) {  // noexcept is not for Highway's table
  std::size_t i = 0;
  std::uint64_t total = 0;
#if HWY_TARGET != HWY_SCALAR
  const hn::ScalableTag<float> floats;
  const hn::RebindToUnsigned<decltype(floats)> words;
  const hn::Repartition<std::uint64_t, decltype(floats)> wide;
  const hn::Repartition<std::uint8_t, decltype(floats)> bytes;
  const std::size_t lanes = hn::Lanes(floats);
  auto sum = hn::Zero(wide);
  for (; i + lanes <= count; i += lanes) {
    const auto word = hn::BitCast(words, hn::LoadU(floats, values + i));
    sum = hn::Add(sum, pairs(word));
    hn::StoreU(hn::BitCast(bytes, swapped(word)), bytes, out + 4 * i);
  }
  total = hn::GetLane(hn::SumOfLanes(wide, sum));
#endif
  return total + encode_floats_scalar(values + i, out + 4 * i, count - i);
}

void decode_vectors(const std::uint8_t* HWY_RESTRICT stored, float* HWY_RESTRICT out,
                    std::size_t count) {
  std::size_t i = 0;
#if HWY_TARGET != HWY_SCALAR
  const hn::ScalableTag<float> floats;
  const hn::RebindToUnsigned<decltype(floats)> words;
  const hn::Repartition<std::uint8_t, decltype(floats)> bytes;
  const std::size_t lanes = hn::Lanes(floats);
  for (; i + lanes <= count; i += lanes) {
    const auto word = swapped(hn::BitCast(words, hn::LoadU(bytes, stored + 4 * i)));
    hn::StoreU(hn::BitCast(floats, word), floats, out + i);
  }
#endif
  decode_floats_scalar(stored + 4 * i, out + i, count - i);
}

std::uint64_t sum_vectors(const std::uint8_t* HWY_RESTRICT bytes, std::size_t count) {
  std::size_t i = 0;
  std::uint64_t total = 0;
#if HWY_TARGET != HWY_SCALAR
  const hn::ScalableTag<std::uint32_t> words;
  const hn::Repartition<std::uint64_t, decltype(words)> wide;
  const hn::Repartition<std::uint8_t, decltype(words)> tag;
  const std::size_t lanes = hn::Lanes(words);
  auto sum = hn::Zero(wide);
  for (; i + lanes <= count; i += lanes) {
    sum = hn::Add(sum, pairs(swapped(hn::BitCast(words, hn::LoadU(tag, bytes + 4 * i)))));
  }
  total = hn::GetLane(hn::SumOfLanes(wide, sum));
#endif
  return total + sum_words_scalar(bytes + 4 * i, count - i);
}

}  // namespace coldframe::fits::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::fits::detail {

static_assert(std::endian::native == std::endian::little, "the kernels swap bytes");

HWY_EXPORT(encode_vectors);
HWY_EXPORT(decode_vectors);
HWY_EXPORT(sum_vectors);

std::uint64_t encode_floats(const float* values, std::uint8_t* out, std::size_t count) noexcept {
  return HWY_DYNAMIC_DISPATCH(encode_vectors)(values, out, count);
}

std::uint64_t encode_floats_scalar(const float* values, std::uint8_t* out,
                                   std::size_t count) noexcept {
  std::uint64_t sum = 0;
  for (std::size_t i = 0; i < count; ++i) {
    const auto word = std::bit_cast<std::uint32_t>(values[i]);
    sum += word;
    const std::uint32_t stored = __builtin_bswap32(word);
    std::memcpy(out + 4 * i, &stored, sizeof stored);
  }
  return sum;
}

void decode_floats(const std::uint8_t* stored, float* out, std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(decode_vectors)(stored, out, count);
}

void decode_floats_scalar(const std::uint8_t* stored, float* out, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    std::uint32_t word = 0;
    std::memcpy(&word, stored + 4 * i, sizeof word);
    word = __builtin_bswap32(word);
    std::memcpy(out + i, &word, sizeof word);
  }
}

std::uint64_t sum_words(const std::uint8_t* bytes, std::size_t count) noexcept {
  return HWY_DYNAMIC_DISPATCH(sum_vectors)(bytes, count);
}

std::uint64_t sum_words_scalar(const std::uint8_t* bytes, std::size_t count) noexcept {
  std::uint64_t sum = 0;
  for (std::size_t i = 0; i < count; ++i) {
    std::uint32_t word = 0;
    std::memcpy(&word, bytes + 4 * i, sizeof word);
    sum += __builtin_bswap32(word);
  }
  return sum;
}

}  // namespace coldframe::fits::detail
#endif
