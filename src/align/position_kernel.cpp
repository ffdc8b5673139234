#include "align/position_kernel.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "align/position_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::align::HWY_NAMESPACE {
#if HWY_TARGET == HWY_SCALAR
void split_array(const double* positions, const SplitPositions& out, std::size_t count) {
  split_scalar(positions, out, count);
}
void split_line(const PositionLine& line, const SplitPositions& out, std::size_t count) {
  split_scalar(line, out, count);
}
#else
namespace hn = hwy::HWY_NAMESPACE;

using Doubles = hn::ScalableTag<double>;
using Ints = hn::Rebind<std::int32_t, Doubles>;
using Floats = hn::Rebind<float, Doubles>;

HWY_INLINE void split_group(hn::Vec<Doubles> s, const SplitPositions& out, std::size_t i) {
  const Doubles d;
  const Ints di;
  const Floats df;
  const auto whole = hn::DemoteTo(di, s);
  const auto fraction = hn::Sub(hn::Sub(s, hn::PromoteTo(d, whole)), hn::Set(d, 0.5));
  hn::StoreU(hn::Sub(whole, hn::Set(di, out.origin)), di, out.first + i);
  hn::StoreU(hn::DemoteTo(df, fraction), df, out.u + i);
}

void split_array(const double* positions, const SplitPositions& out, std::size_t count) {
  const Doubles d;
  const std::size_t lanes = hn::Lanes(d);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) split_group(hn::LoadU(d, positions + i), out, i);
  split_scalar(positions + i, {out.first + i, out.u + i, out.origin}, count - i);
}

void split_line(const PositionLine& line, const SplitPositions& out, std::size_t count) {
  const Doubles d;
  const std::size_t lanes = hn::Lanes(d);
  const auto slope = hn::Set(d, line.slope), offset = hn::Set(d, line.offset);
  auto x = hn::Add(hn::Set(d, static_cast<double>(line.x0)), hn::Iota(d, 0.0));
  const auto step = hn::Set(d, static_cast<double>(lanes));
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes, x = hn::Add(x, step)) {
    split_group(hn::Add(hn::Mul(slope, x), offset), out, i);
  }
  split_scalar(PositionLine{line.slope, line.offset, line.x0 + static_cast<int>(i)},
               {out.first + i, out.u + i, out.origin}, count - i);
}
#endif

}  // namespace coldframe::align::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::align {
namespace {
HWY_EXPORT(split_array);
HWY_EXPORT(split_line);

void split_one(double s, const SplitPositions& out, std::size_t i) noexcept {
  const auto whole = static_cast<std::int32_t>(s);
  out.first[i] = whole - out.origin;
  out.u[i] = static_cast<float>((s - static_cast<double>(whole)) - 0.5);
}
}  // namespace

void split(const double* positions, const SplitPositions& out, std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(split_array)(positions, out, count);
}

void split(const PositionLine& line, const SplitPositions& out, std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(split_line)(line, out, count);
}

void split_scalar(const double* positions, const SplitPositions& out, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) split_one(positions[i], out, i);
}

void split_scalar(const PositionLine& line, const SplitPositions& out, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const double x = line.x0 + static_cast<int>(i);
    split_one(line.slope * x + line.offset, out, i);
  }
}

}  // namespace coldframe::align
#endif
