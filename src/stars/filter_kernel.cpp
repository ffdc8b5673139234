#include "stars/filter_kernel.hpp"

#include <algorithm>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stars/filter_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stars::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

void signal_vectors(const float* HWY_RESTRICT row, const float* HWY_RESTRICT level,
                    const float* HWY_RESTRICT noise, float* HWY_RESTRICT out, std::size_t count) {
  const hn::ScalableTag<float> df;
  const std::size_t lanes = hn::Lanes(df);
  const auto least = hn::Set(df, 1e-30F);
  const auto limit = hn::Set(df, 1e7F);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto sigma = hn::Max(hn::LoadU(df, noise + i), least);
    const auto value = hn::Div(hn::Sub(hn::LoadU(df, row + i), hn::LoadU(df, level + i)), sigma);
    hn::StoreU(hn::IfThenElseZero(hn::Lt(hn::Abs(value), limit), value), df, out + i);
  }
  signal_row_scalar(row + i, level + i, noise + i, out + i, count - i);
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

}  // namespace coldframe::stars::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stars {
namespace {
HWY_EXPORT(signal_vectors);
HWY_EXPORT(along_vectors);
HWY_EXPORT(across_vectors);
}  // namespace

void signal_row(const float* row, const float* level, const float* noise, float* out,
                std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(signal_vectors)(row, level, noise, out, count);
}

void signal_row_scalar(const float* row, const float* level, const float* noise, float* out,
                       std::size_t count) noexcept {
  constexpr float limit = 1e7F;
  for (std::size_t i = 0; i < count; ++i) {
    const float value = (row[i] - level[i]) / std::max(noise[i], 1e-30F);
    // NaN fails both comparisons, so it becomes zero too; so does a frame without noise.
    out[i] = value > -limit && value < limit ? value : 0.0F;
  }
}

void filter_along(const float* centre, const float* taps, std::size_t radius, float* out,
                  std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(along_vectors)(centre, taps, radius, out, count);
}

void filter_along_scalar(const float* centre, const float* taps, std::size_t radius, float* out,
                         std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    float sum = taps[0] * centre[i];
    for (std::size_t k = 1; k <= radius; ++k) sum += taps[k] * (centre[i - k] + centre[i + k]);
    out[i] = sum;
  }
}

void filter_across(const float* const* rows, const float* taps, std::size_t radius, float* out,
                   std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(across_vectors)(rows, taps, radius, out, count);
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
