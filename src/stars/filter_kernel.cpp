#include "stars/filter_kernel.hpp"

#include <algorithm>
#include <array>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stars/filter_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stars::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

template <class D, class V = hn::Vec<D>>
HWY_INLINE V cubic(D d, const std::array<float, 4>& c, V f) {
  V sum = hn::Add(hn::Set(d, c[2]), hn::Mul(f, hn::Set(d, c[3])));
  sum = hn::Add(hn::Set(d, c[1]), hn::Mul(f, sum));
  return hn::Add(hn::Set(d, c[0]), hn::Mul(f, sum));
}

void signal_vectors(const SignalInput& in, float* HWY_RESTRICT out) {
  const hn::ScalableTag<float> df;
  const hn::RebindToSigned<decltype(df)> di;
  const int lanes = static_cast<int>(hn::Lanes(df));
  const auto least = hn::Set(df, 1e-30F);
  const auto limit = hn::Set(df, 1e7F);
  const auto half = hn::Set(df, 0.5F);
  const auto step = hn::Set(df, in.per_cell);
  const auto counting = hn::Iota(di, 0);
  for (const SkyPiece& piece : in.sky) {
    const float* HWY_RESTRICT row = in.row + piece.x0;
    float* HWY_RESTRICT to = out + piece.x0;
    int i = 0;
    for (; i + lanes <= piece.count; i += lanes) {
      const auto x = hn::ConvertTo(df, hn::Add(counting, hn::Set(di, piece.offset + i)));
      const auto f = hn::Sub(hn::Mul(hn::Add(x, half), step), half);
      auto level = cubic(df, piece.level, f);
      if (in.light != nullptr) level = hn::Add(level, hn::LoadU(df, in.light + piece.x0 + i));
      const auto sigma = hn::Max(cubic(df, piece.noise, f), least);
      const auto value = hn::Div(hn::Sub(hn::LoadU(df, row + i), level), sigma);
      hn::StoreU(hn::IfThenElseZero(hn::Lt(hn::Abs(value), limit), value), df, to + i);
    }
    for (; i < piece.count; ++i) {
      to[i] = signal_of(piece, i, in.per_cell, row[i],
                        in.light == nullptr ? nullptr : in.light + piece.x0 + i);
    }
  }
}

void along_vectors(const float* HWY_RESTRICT centre, const float* taps, std::size_t radius,
                   float* HWY_RESTRICT out, std::size_t count) {
  const hn::ScalableTag<float> df;
  const std::size_t lanes = hn::Lanes(df);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    auto sum = hn::Mul(hn::Set(df, taps[0]), hn::LoadU(df, centre + i));
    for (std::size_t k = 1; k <= radius; ++k) {
      const auto pair = hn::Add(hn::LoadU(df, centre + i - k), hn::LoadU(df, centre + i + k));
      sum = hn::Add(sum, hn::Mul(hn::Set(df, taps[k]), pair));
    }
    hn::StoreU(sum, df, out + i);
  }
  filter_along_scalar(centre + i, taps, radius, out + i, count - i);
}

void across_vectors(const float* const* rows, const float* taps, std::size_t radius,
                    float* HWY_RESTRICT out, std::size_t count) {
  const hn::ScalableTag<float> df;
  const std::size_t lanes = hn::Lanes(df);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    auto sum = hn::Mul(hn::Set(df, taps[0]), hn::LoadU(df, rows[radius] + i));
    for (std::size_t k = 1; k <= radius; ++k) {
      const auto pair =
          hn::Add(hn::LoadU(df, rows[radius - k] + i), hn::LoadU(df, rows[radius + k] + i));
      sum = hn::Add(sum, hn::Mul(hn::Set(df, taps[k]), pair));
    }
    hn::StoreU(sum, df, out + i);
  }
  for (; i < count; ++i) {
    float sum = taps[0] * rows[radius][i];
    for (std::size_t k = 1; k <= radius; ++k) {
      sum += taps[k] * (rows[radius - k][i] + rows[radius + k][i]);
    }
    out[i] = sum;
  }
}

std::size_t crests_vectors(const float* HWY_RESTRICT values, std::size_t count, float limit,
                           std::uint32_t* HWY_RESTRICT where) {
  const hn::ScalableTag<float> df;
  const std::size_t lanes = hn::Lanes(df);
  const auto least = hn::Set(df, limit);
  std::size_t found = first_crest(values, count, limit, where);
  std::size_t i = 1;
  for (; i + lanes < count; i += lanes) {
    const auto here = hn::LoadU(df, values + i);
    const auto high = hn::Gt(here, least);
    if (hn::AllFalse(df, high)) continue;
    const auto crest = hn::And(high, hn::And(hn::Gt(here, hn::LoadU(df, values + i - 1)),
                                             hn::Ge(here, hn::LoadU(df, values + i + 1))));
    if (hn::AllFalse(df, crest)) continue;
    for (std::size_t k = i; k < i + lanes; ++k) {
      if (is_crest(values, k, limit)) where[found++] = static_cast<std::uint32_t>(k);
    }
  }
  return last_crests(values, i, count, limit, where, found);
}

}  // namespace coldframe::stars::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stars {
namespace {
HWY_EXPORT(signal_vectors);
HWY_EXPORT(along_vectors);
HWY_EXPORT(across_vectors);
HWY_EXPORT(crests_vectors);
}  // namespace

void signal_row(const SignalInput& in, float* out) noexcept {
  HWY_DYNAMIC_DISPATCH(signal_vectors)(in, out);
}

void signal_row_scalar(const SignalInput& in, float* out) noexcept {
  for (const SkyPiece& piece : in.sky) {
    for (int i = 0; i < piece.count; ++i) {
      const int x = piece.x0 + i;
      out[x] =
          signal_of(piece, i, in.per_cell, in.row[x], in.light == nullptr ? nullptr : in.light + x);
    }
  }
}

void filter_along(const float* centre, const float* taps, std::size_t radius, float* out,
                  std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(along_vectors)(centre, taps, radius, out, count);
}

void filter_along_scalar(const float* centre, const float* taps, std::size_t radius, float* out,
                         std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const float* at = centre + i;
    float sum = taps[0] * *at;
    for (std::size_t k = 1; k <= radius; ++k) sum += taps[k] * (*(at - k) + *(at + k));
    out[i] = sum;
  }
}

void filter_across(const float* const* rows, const float* taps, std::size_t radius, float* out,
                   std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(across_vectors)(rows, taps, radius, out, count);
}

std::size_t find_crests(const float* values, std::size_t count, float limit,
                        std::uint32_t* where) noexcept {
  return HWY_DYNAMIC_DISPATCH(crests_vectors)(values, count, limit, where);
}

std::size_t find_crests_scalar(const float* values, std::size_t count, float limit,
                               std::uint32_t* where) noexcept {
  const std::size_t found = first_crest(values, count, limit, where);
  return last_crests(values, 1, count, limit, where, found);
}

void filter_across_scalar(const float* const* rows, const float* taps, std::size_t radius,
                          float* out, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    float sum = taps[0] * rows[radius][i];
    for (std::size_t k = 1; k <= radius; ++k) {
      sum += taps[k] * (rows[radius - k][i] + rows[radius + k][i]);
    }
    out[i] = sum;
  }
}

}  // namespace coldframe::stars
#endif
