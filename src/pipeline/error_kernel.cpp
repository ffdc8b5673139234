#include "pipeline/error_kernel.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/image.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "pipeline/error_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::pipeline::detail::HWY_NAMESPACE {

namespace hn = hwy::HWY_NAMESPACE;
using Floats = hn::ScalableTag<float>;
using Lanes = hn::Vec<Floats>;

HWY_INLINE Lanes load_or(const float* plane, float constant, std::size_t i) {
  const Floats tag;
  return plane != nullptr ? hn::LoadU(tag, plane + i) : hn::Set(tag, constant);
}

/// m (m D + S'/g) + value^2 F, S' being the signal in calibrated units.
HWY_INLINE Lanes variance_of(Lanes value, Lanes multiply, Lanes dark, Lanes flat, Lanes adu_per_e) {
  const auto signal = hn::Mul(hn::Max(value, hn::Zero(Floats())), adu_per_e);
  const auto own = hn::Mul(multiply, hn::Add(hn::Mul(multiply, dark), signal));
  return hn::Add(own, hn::Mul(hn::Mul(value, value), flat));
}

void error_vectors(const ErrorRow& row, float* HWY_RESTRICT out, std::size_t count) {
  const Floats tag;
  const std::size_t lanes = hn::Lanes(tag);
  const auto adu_per_e = hn::Set(tag, row.adu_per_e);
  const auto none = hn::Zero(tag);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto load = [&](const float* from) { return hn::LoadU(tag, from + i); };
    const auto sum = hn::Add(hn::Add(load(row.sums[0]), load(row.sums[1])), load(row.sums[2]));
    const auto number =
        hn::Add(hn::Add(load(row.counts[0]), load(row.counts[1])), load(row.counts[2]));
    const auto own = load(row.values);
    const auto mean = hn::Div(sum, hn::Max(number, hn::Set(tag, 1.0F)));
    const auto around = hn::IfThenElse(hn::Gt(number, none), mean, own);
    const auto multiply = load_or(row.multiply, row.constant_multiply, i);
    const auto dark = hn::Add(load_or(row.dark, row.constant_dark, i), load_or(row.subtract, 0, i));
    const auto flat = load_or(row.flat, 0, i);
    const auto smooth = variance_of(around, multiply, dark, flat, adu_per_e);
    const auto off = hn::Sub(own, around);
    const auto agrees = hn::Le(hn::Mul(off, off), hn::Mul(hn::Set(tag, 9.0F), smooth));
    const auto variance =
        hn::IfThenElse(agrees, smooth, variance_of(own, multiply, dark, flat, adu_per_e));
    hn::StoreU(hn::Sqrt(variance), tag, out + i);
  }
  if (i == count) return;
  ErrorRow rest = row;
  for (const float** plane :
       {&rest.values, &rest.multiply, &rest.dark, &rest.subtract, &rest.flat, &rest.sums[0],
        &rest.sums[1], &rest.sums[2], &rest.counts[0], &rest.counts[1], &rest.counts[2]}) {
    if (*plane != nullptr) *plane += i;
  }
  error_row_scalar(rest, out + i, count - i);
}

void sum_vectors(const float* HWY_RESTRICT values, std::size_t first, std::size_t last,
                 std::size_t step, float* HWY_RESTRICT sums) {
  const Floats tag;
  const std::size_t lanes = hn::Lanes(tag);
  std::size_t x = first;
  for (; x + lanes <= last; x += lanes) {
    const auto two = hn::Add(hn::LoadU(tag, values + x - step), hn::LoadU(tag, values + x));
    hn::StoreU(hn::Add(two, hn::LoadU(tag, values + x + step)), tag, sums + x);
  }
  for (; x < last; ++x) sums[x] = (values[x - step] + values[x]) + values[x + step];
}

}  // namespace coldframe::pipeline::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::pipeline::detail {
namespace {

HWY_EXPORT(error_vectors);
HWY_EXPORT(sum_vectors);

/// One pixel's sum, whatever is missing.
void sum_at(const float* values, const std::uint8_t* mask, int count, int x, int step, float* sums,
            float* counts) noexcept {
  float sum = 0.0F;
  float number = 0.0F;
  for (int u = x - step; u <= x + step; u += step) {
    if (u < 0 || u >= count || (mask[u] & mask_bit::not_finite) != 0) continue;
    sum += values[u];
    number += 1.0F;
  }
  sums[x] = sum;
  counts[x] = number;
}

float variance_of(float value, float multiply, float dark, float flat, float adu_per_e) noexcept {
  const float signal = std::max(value, 0.0F) * adu_per_e;
  return multiply * (multiply * dark + signal) + value * value * flat;
}

}  // namespace

void sum_neighbours(const float* values, const std::uint8_t* mask, std::size_t count, int step,
                    float* sums, float* counts) noexcept {
  const int width = static_cast<int>(count);
  unsigned seen = 0;
  for (std::size_t x = 0; x < count; ++x) seen |= mask[x];
  const bool whole_row = (seen & mask_bit::not_finite) == 0 && width > 2 * step;
  const int first = whole_row ? step : width;
  const int last = whole_row ? width - step : width;
  for (int x = 0; x < first; ++x) sum_at(values, mask, width, x, step, sums, counts);
  if (!whole_row) return;
  HWY_DYNAMIC_DISPATCH(sum_vectors)
  (values, static_cast<std::size_t>(first), static_cast<std::size_t>(last),
   static_cast<std::size_t>(step), sums);
  std::fill(counts + first, counts + last, 3.0F);
  for (int x = last; x < width; ++x) sum_at(values, mask, width, x, step, sums, counts);
}

void error_row(const ErrorRow& row, float* out, std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(error_vectors)(row, out, count);
}

void error_row_scalar(const ErrorRow& row, float* out, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const float sum = (row.sums[0][i] + row.sums[1][i]) + row.sums[2][i];
    const float number = (row.counts[0][i] + row.counts[1][i]) + row.counts[2][i];
    const float own = row.values[i];
    const float around = number > 0.0F ? sum / number : own;
    const float multiply = row.multiply != nullptr ? row.multiply[i] : row.constant_multiply;
    const float dark = (row.dark != nullptr ? row.dark[i] : row.constant_dark) +
                       (row.subtract != nullptr ? row.subtract[i] : 0.0F);
    const float flat = row.flat != nullptr ? row.flat[i] : 0.0F;
    const float smooth = variance_of(around, multiply, dark, flat, row.adu_per_e);
    const float off = own - around;
    const bool agrees = off * off <= 9.0F * smooth;  // within 3 standard deviations
    out[i] = std::sqrt(agrees ? smooth : variance_of(own, multiply, dark, flat, row.adu_per_e));
  }
}

}  // namespace coldframe::pipeline::detail
#endif
