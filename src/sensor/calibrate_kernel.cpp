#include "sensor/calibrate_kernel.hpp"

#include "coldframe/core/image.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "sensor/calibrate_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::sensor::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

void row_vectors(const CalibrationRow& row, float* HWY_RESTRICT values,
                 std::uint8_t* HWY_RESTRICT mask, std::size_t count) {
  const hn::ScalableTag<float> df;
  const hn::RebindToSigned<decltype(df)> di;
  const hn::Rebind<std::uint8_t, decltype(df)> d8;
  const std::size_t lanes = hn::Lanes(df);
  const auto largest = hn::Set(df, 3.402823466e+38F);
  const auto saturation = hn::Set(df, row.saturation);
  const auto saturated = hn::Set(di, mask_bit::saturated);
  const auto not_finite = hn::Set(di, mask_bit::not_finite);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto raw = hn::LoadU(df, values + i);
    const auto subtract = row.subtract != nullptr ? hn::LoadU(df, row.subtract + i)
                                                  : hn::Set(df, row.constant_subtract);
    const auto multiply = row.multiply != nullptr ? hn::LoadU(df, row.multiply + i)
                                                  : hn::Set(df, row.constant_multiply);
    const auto result = hn::Mul(hn::Sub(raw, subtract), multiply);
    const auto finite = hn::Le(hn::Abs(result), largest);
    auto bits =
        row.defects != nullptr ? hn::PromoteTo(di, hn::LoadU(d8, row.defects + i)) : hn::Zero(di);
    const auto full = hn::RebindMask(di, hn::Ge(raw, saturation));
    bits = hn::Or(bits, hn::IfThenElseZero(full, saturated));
    bits = hn::Or(bits, hn::IfThenZeroElse(hn::RebindMask(di, finite), not_finite));
    hn::StoreU(hn::IfThenElseZero(finite, result), df, values + i);
    hn::StoreU(hn::DemoteTo(d8, bits), d8, mask + i);
  }
  if (i == count) return;
  CalibrationRow rest = row;
  if (rest.subtract != nullptr) rest.subtract += i;
  if (rest.multiply != nullptr) rest.multiply += i;
  if (rest.defects != nullptr) rest.defects += i;
  calibrate_row_scalar(rest, values + i, mask + i, count - i);
}

}  // namespace coldframe::sensor::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::sensor {
namespace {
HWY_EXPORT(row_vectors);
}  // namespace

void calibrate_row(const CalibrationRow& row, float* values, std::uint8_t* mask,
                   std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(row_vectors)(row, values, mask, count);
}

void calibrate_row_scalar(const CalibrationRow& row, float* values, std::uint8_t* mask,
                          std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const float raw = values[i];
    const float subtract = row.subtract != nullptr ? row.subtract[i] : row.constant_subtract;
    const float multiply = row.multiply != nullptr ? row.multiply[i] : row.constant_multiply;
    const float result = (raw - subtract) * multiply;
    // False for NaN as well: an infinite raw value always ends here too.
    const bool finite = result <= 3.402823466e+38F && result >= -3.402823466e+38F;
    unsigned bits = row.defects != nullptr ? row.defects[i] : 0U;
    if (raw >= row.saturation) bits |= mask_bit::saturated;
    if (!finite) bits |= mask_bit::not_finite;
    values[i] = finite ? result : 0.0F;
    mask[i] = static_cast<std::uint8_t>(bits);
  }
}

}  // namespace coldframe::sensor
#endif
