#include "stars/sky_kernel.hpp"

#include <algorithm>
#include <bit>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stars/sky_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stars::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

void bins_vectors(const float* HWY_RESTRICT values, std::size_t count, float low, float scale,
                  float most, std::uint16_t* HWY_RESTRICT bins) {
  const hn::ScalableTag<float> df;
  const hn::RebindToSigned<decltype(df)> di;
  const hn::Rebind<std::uint16_t, decltype(df)> d16;
  const std::size_t lanes = hn::Lanes(df);
  const auto one = hn::Set(df, 1.0F);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto place =
        hn::Mul(hn::Sub(hn::LoadU(df, values + i), hn::Set(df, low)), hn::Set(df, scale));
    const auto inside = hn::Min(hn::Max(place, hn::Set(df, -1.0F)), hn::Set(df, most));
    hn::StoreU(hn::DemoteTo(d16, hn::ConvertTo(di, hn::Add(inside, one))), d16, bins + i);
  }
  find_bins_scalar(values + i, count - i, low, scale, most, bins + i);
}

void cubic_vectors(const float* c, int offset, float per_cell, float* HWY_RESTRICT out,
                   std::size_t count) {
  const hn::ScalableTag<float> df;
  const hn::RebindToSigned<decltype(df)> di;
  const std::size_t lanes = hn::Lanes(df);
  const auto half = hn::Set(df, 0.5F);
  const auto step = hn::Set(df, per_cell);
  const auto counting = hn::Iota(di, 0);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto x = hn::ConvertTo(df, hn::Add(counting, hn::Set(di, offset + static_cast<int>(i))));
    const auto f = hn::Sub(hn::Mul(hn::Add(x, half), step), half);
    auto sum = hn::Add(hn::Set(df, c[2]), hn::Mul(f, hn::Set(df, c[3])));
    sum = hn::Add(hn::Set(df, c[1]), hn::Mul(f, sum));
    hn::StoreU(hn::Add(hn::Set(df, c[0]), hn::Mul(f, sum)), df, out + i);
  }
  cubic_run_scalar(c, offset + static_cast<int>(i), per_cell, out + i, count - i);
}

bool copy_vectors(const float* HWY_RESTRICT values, const std::uint8_t* HWY_RESTRICT bad,
                  std::size_t count, float* HWY_RESTRICT out) {
  const hn::ScalableTag<float> df;
  const hn::RebindToUnsigned<decltype(df)> du;
  const hn::ScalableTag<std::uint8_t> d8;
  const std::size_t lanes = hn::Lanes(df);
  const std::size_t bytes = hn::Lanes(d8);
  const auto exponent = hn::Set(du, exponent_bits);  // all ones: infinite or NaN
  auto odd = hn::Zero(du);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto v = hn::LoadU(df, values + i);
    hn::StoreU(v, df, out + i);
    odd = hn::Or(odd, hn::VecFromMask(du, hn::Eq(hn::And(hn::BitCast(du, v), exponent), exponent)));
  }
  bool good = hn::AllTrue(du, hn::Eq(odd, hn::Zero(du)));
  auto bits = hn::Zero(d8);
  std::size_t k = 0;
  for (; k + bytes <= count; k += bytes) bits = hn::Or(bits, hn::LoadU(d8, bad + k));
  good = good && hn::AllTrue(d8, hn::Eq(bits, hn::Zero(d8)));
  for (; k < count; ++k) good = good && bad[k] == 0;
  return copy_good_scalar(values + i, bad + i, count - i, out + i) && good;
}

}  // namespace coldframe::stars::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stars {
namespace {
HWY_EXPORT(bins_vectors);
HWY_EXPORT(cubic_vectors);
HWY_EXPORT(copy_vectors);
}  // namespace

void find_bins(const float* values, std::size_t count, float low, float scale, float most,
               std::uint16_t* bins) noexcept {
  HWY_DYNAMIC_DISPATCH(bins_vectors)(values, count, low, scale, most, bins);
}

void find_bins_scalar(const float* values, std::size_t count, float low, float scale, float most,
                      std::uint16_t* bins) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const float place = std::clamp((values[i] - low) * scale, -1.0F, most);
    bins[i] = static_cast<std::uint16_t>(static_cast<int>(place + 1.0F));
  }
}

bool copy_good(const float* values, const std::uint8_t* bad, std::size_t count,
               float* out) noexcept {
  return HWY_DYNAMIC_DISPATCH(copy_vectors)(values, bad, count, out);
}

bool copy_good_scalar(const float* values, const std::uint8_t* bad, std::size_t count,
                      float* out) noexcept {
  bool good = true;
  for (std::size_t i = 0; i < count; ++i) {
    out[i] = values[i];
    const bool finite = (std::bit_cast<std::uint32_t>(values[i]) & exponent_bits) != exponent_bits;
    good = good && finite && bad[i] == 0;
  }
  return good;
}

void cubic_run(const float* c, int offset, float per_cell, float* out, std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(cubic_vectors)(c, offset, per_cell, out, count);
}

void cubic_run_scalar(const float* c, int offset, float per_cell, float* out,
                      std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const auto x = static_cast<float>(offset + static_cast<int>(i));
    const float f = (x + 0.5F) * per_cell - 0.5F;
    out[i] = c[0] + f * (c[1] + f * (c[2] + f * c[3]));
  }
}

}  // namespace coldframe::stars
#endif
