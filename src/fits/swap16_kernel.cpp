#include "fits/swap16_kernel.hpp"

#include <bit>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "fits/swap16_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::fits::detail::HWY_NAMESPACE {

namespace hn = hwy::HWY_NAMESPACE;

void decode16_vector(const std::uint8_t* HWY_RESTRICT codes, float* HWY_RESTRICT out,
                     std::size_t count,
                     std::int32_t offset) {  // noexcept is not for Highway's table
  std::size_t i = 0;
#if HWY_TARGET != HWY_SCALAR  // one lane holds no two bytes: the loop below is that target
  const hn::ScalableTag<float> floats;
  const hn::Rebind<std::int32_t, decltype(floats)> ints;
  const hn::Rebind<std::int16_t, decltype(floats)> shorts;
  const hn::Rebind<std::uint16_t, decltype(floats)> words;
  const hn::Repartition<std::uint8_t, decltype(words)> bytes;
  const std::size_t lanes = hn::Lanes(floats);
  const auto shift = hn::Set(ints, offset);
  for (; i + lanes <= count; i += lanes) {
    const auto stored = hn::BitCast(words, hn::LoadU(bytes, codes + 2 * i));
    const auto native = hn::Or(hn::ShiftLeft<8>(stored), hn::ShiftRight<8>(stored));
    const auto wide = hn::PromoteTo(ints, hn::BitCast(shorts, native));
    hn::StoreU(hn::ConvertTo(floats, hn::Add(wide, shift)), floats, out + i);
  }
#endif
  decode16_scalar(codes + 2 * i, out + i, count - i, offset);
}

}  // namespace coldframe::fits::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::fits::detail {

static_assert(std::endian::native == std::endian::little, "the kernels swap bytes");

HWY_EXPORT(decode16_vector);

void decode16(const std::uint8_t* codes, float* out, std::size_t count,
              std::int32_t offset) noexcept {
  HWY_DYNAMIC_DISPATCH(decode16_vector)(codes, out, count, offset);
}

void decode16_scalar(const std::uint8_t* codes, float* out, std::size_t count,
                     std::int32_t offset) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const auto word = static_cast<std::uint16_t>((codes[2 * i] << 8) | codes[2 * i + 1]);
    out[i] = static_cast<float>(static_cast<std::int16_t>(word) + offset);
  }
}

}  // namespace coldframe::fits::detail
#endif
