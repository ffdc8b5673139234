#include "align/resample_kernel.hpp"

#include "coldframe/align/kernel_weights.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "align/resample_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::align::HWY_NAMESPACE {
#if HWY_TARGET == HWY_SCALAR
void run_vectors(const TapRun& run, float* HWY_RESTRICT out, std::size_t count) {
  resample_run_scalar(run, out, count);
}
#else
namespace hn = hwy::HWY_NAMESPACE;

using Floats = hn::ScalableTag<float>;
using Ints = hn::RebindToSigned<Floats>;
using Float4 = hn::FixedTag<float, 4>;
#if HWY_MAX_BYTES >= 32
using Float8 = hn::FixedTag<float, 8>;
#endif
using V = hn::Vec<Floats>;

// Every operation below stands in kernel_weights.hpp in the same order.
HWY_INLINE V cubic(Floats d, const float (&c)[4], V z) {
  V sum = hn::Add(hn::Mul(hn::Set(d, c[3]), z), hn::Set(d, c[2]));
  sum = hn::Add(hn::Mul(sum, z), hn::Set(d, c[1]));
  return hn::Add(hn::Mul(sum, z), hn::Set(d, c[0]));
}

template <Kernel kernel>
HWY_INLINE void weights(Floats d, V u, V& w0, V& w1, V& w2, V& w3, V& w4, V& w5) {
  const V half = hn::Set(d, 0.5F);
  if constexpr (kernel == Kernel::lanczos3) {
    constexpr const LanczosPolynomials& c = lanczos_polynomials;
    const V z = hn::Sub(hn::Mul(u, u), hn::Set(d, 0.25F));
    const V zu = hn::Mul(z, u);
    const V even_outer = hn::Mul(z, cubic(d, c.even_outer, z));
    const V odd_outer = hn::Mul(zu, cubic(d, c.odd_outer, z));
    const V even_inner = hn::Mul(z, cubic(d, c.even_inner, z));
    const V odd_inner = hn::Mul(zu, cubic(d, c.odd_inner, z));
    const V even_central = hn::Sub(hn::Sub(half, even_outer), even_inner);
    const V odd_central =
        hn::Sub(hn::Sub(hn::Sub(hn::Zero(d), u), hn::Mul(hn::Set(d, 5.0F), odd_outer)),
                hn::Mul(hn::Set(d, 3.0F), odd_inner));
    w0 = hn::Add(even_outer, odd_outer);
    w1 = hn::Add(even_inner, odd_inner);
    w2 = hn::Add(even_central, odd_central);
    w3 = hn::Sub(even_central, odd_central);
    w4 = hn::Sub(even_inner, odd_inner);
    w5 = hn::Sub(even_outer, odd_outer);
  } else {
    const V t = hn::Add(u, half);
    const V s = hn::Sub(half, u);
    w0 = w5 = hn::Zero(d);
    if constexpr (kernel == Kernel::bilinear) {
      w1 = w4 = hn::Zero(d);
      w2 = s;
      w3 = t;
    } else {
      const V one = hn::Set(d, 1.0F), a = hn::Set(d, 1.5F), b = hn::Set(d, 2.5F);
      const V minus_half = hn::Set(d, -0.5F);
      w1 = hn::Mul(minus_half, hn::Mul(hn::Mul(t, s), s));
      w4 = hn::Mul(minus_half, hn::Mul(hn::Mul(t, t), s));
      w2 = hn::Add(hn::Mul(hn::Mul(hn::Sub(hn::Mul(a, t), b), t), t), one);
      w3 = hn::Add(hn::Mul(hn::Mul(hn::Sub(hn::Mul(a, s), b), s), s), one);
    }
  }
}

// One column of taps for a group of neighbouring pixels, and its part of the extremes.
HWY_INLINE V column(Floats d, const float* p, std::ptrdiff_t pitch, V w0, V w1, V w2, V w3, V w4,
                    V w5, bool inner, V& lowest, V& highest) {
  const V p1 = hn::LoadU(d, p + pitch), p2 = hn::LoadU(d, p + 2 * pitch);
  const V p3 = hn::LoadU(d, p + 3 * pitch), p4 = hn::LoadU(d, p + 4 * pitch);
  if (inner) {
    lowest = hn::Min(lowest, hn::Min(hn::Min(p1, p2), hn::Min(p3, p4)));
    highest = hn::Max(highest, hn::Max(hn::Max(p1, p2), hn::Max(p3, p4)));
  }
  V sum = hn::Mul(w0, hn::LoadU(d, p));
  sum = hn::Add(sum, hn::Mul(w1, p1));
  sum = hn::Add(sum, hn::Mul(w2, p2));
  sum = hn::Add(sum, hn::Mul(w3, p3));
  sum = hn::Add(sum, hn::Mul(w4, p4));
  return hn::Add(sum, hn::Mul(w5, hn::LoadU(d, p + 5 * pitch)));
}

HWY_INLINE V across(V c0, V c1, V c2, V c3, V c4, V c5, V w0, V w1, V w2, V w3, V w4, V w5) {
  V sum = hn::Mul(w0, c0);
  sum = hn::Add(sum, hn::Mul(w1, c1));
  sum = hn::Add(sum, hn::Mul(w2, c2));
  sum = hn::Add(sum, hn::Mul(w3, c3));
  sum = hn::Add(sum, hn::Mul(w4, c4));
  return hn::Add(sum, hn::Mul(w5, c5));
}

HWY_INLINE V guarded(Floats d, V value, V lowest, V highest, float guard) {
  if (guard < 0.0F) return value;
  const V floor = hn::Sub(lowest, hn::Mul(hn::Set(d, guard), hn::Sub(highest, lowest)));
  return hn::IfThenElse(hn::Lt(value, floor), floor, value);
}

// Neighbours in the destination are neighbours in the source: plain loads serve all lanes.
template <Kernel kernel>
HWY_INLINE V group_in_a_row(Floats d, const float* p, std::ptrdiff_t pitch, V ux, V uy,
                            float guard) {
  V x0, x1, x2, x3, x4, x5, y0, y1, y2, y3, y4, y5;
  weights<kernel>(d, uy, y0, y1, y2, y3, y4, y5);
  V lowest = hn::LoadU(d, p + pitch + 1), highest = lowest;
  const bool extremes = guard >= 0.0F;
  const V c0 = column(d, p, pitch, y0, y1, y2, y3, y4, y5, false, lowest, highest);
  const V c1 = column(d, p + 1, pitch, y0, y1, y2, y3, y4, y5, extremes, lowest, highest);
  const V c2 = column(d, p + 2, pitch, y0, y1, y2, y3, y4, y5, extremes, lowest, highest);
  const V c3 = column(d, p + 3, pitch, y0, y1, y2, y3, y4, y5, extremes, lowest, highest);
  const V c4 = column(d, p + 4, pitch, y0, y1, y2, y3, y4, y5, extremes, lowest, highest);
  const V c5 = column(d, p + 5, pitch, y0, y1, y2, y3, y4, y5, false, lowest, highest);
  weights<kernel>(d, ux, x0, x1, x2, x3, x4, x5);
  const V value = across(c0, c1, c2, c3, c4, c5, x0, x1, x2, x3, x4, x5);
  return guarded(d, value, lowest, highest, guard);
}

// Lanes from anywhere: each pixel sums its columns side by side in vectors of four, then
// the lanes go on together.
template <Kernel kernel>
HWY_INLINE V group_scattered(Floats d, const TapRun& run, std::size_t first, V ux, V uy) {
  const Float4 d4;
  const std::size_t lanes = hn::Lanes(d);
  constexpr std::size_t most = HWY_MAX_BYTES / sizeof(float);
  HWY_ALIGN float wy[6 * most];
  HWY_ALIGN float left[4 * most], right[4 * most], low[4 * most], high[4 * most];
  V y0, y1, y2, y3, y4, y5;
  weights<kernel>(d, uy, y0, y1, y2, y3, y4, y5);
  hn::Store(y0, d, wy);
  hn::Store(y1, d, wy + most);
  hn::Store(y2, d, wy + 2 * most);
  hn::Store(y3, d, wy + 3 * most);
  hn::Store(y4, d, wy + 4 * most);
  hn::Store(y5, d, wy + 5 * most);
  for (std::size_t i = 0; i < lanes; ++i) {
    const float* p = run.source + run.pitch * run.iy[first + i] + run.ix[first + i];
#if HWY_MAX_BYTES >= 32
    const Float8 d8;
    const auto six = hn::FirstN(d8, 6);  // no load passes the last tap
    auto taps = hn::MaskedLoad(six, d8, p);
    auto sum = hn::Mul(hn::Set(d8, wy[i]), taps);
    auto least = hn::MaskedLoad(six, d8, p + run.pitch), most_of = least;
    for (std::size_t j = 1; j < 6; ++j) {
      p += run.pitch;
      taps = hn::MaskedLoad(six, d8, p);
      sum = hn::Add(sum, hn::Mul(hn::Set(d8, wy[j * most + i]), taps));
      if (j == 5) break;
      least = hn::Min(least, taps);
      most_of = hn::Max(most_of, taps);
    }
    hn::Store(hn::LowerHalf(d4, sum), d4, left + 4 * i);
    hn::Store(hn::UpperHalf(d4, sum), d4, right + 4 * i);
    // Columns 1 to 4.
    hn::Store(hn::CombineShiftRightBytes<4>(d4, hn::UpperHalf(d4, least), hn::LowerHalf(d4, least)),
              d4, low + 4 * i);
    hn::Store(
        hn::CombineShiftRightBytes<4>(d4, hn::UpperHalf(d4, most_of), hn::LowerHalf(d4, most_of)),
        d4, high + 4 * i);
#else
    auto w = hn::Set(d4, wy[i]);
    // Columns 0..3 and 2..5: no load passes the last tap.
    auto a = hn::Mul(w, hn::LoadU(d4, p));
    auto b = hn::Mul(w, hn::LoadU(d4, p + 2));
    auto lowest = hn::LoadU(d4, p + run.pitch + 1), highest = lowest;
    for (std::size_t j = 1; j < 6; ++j) {
      p += run.pitch;
      w = hn::Set(d4, wy[j * most + i]);
      a = hn::Add(a, hn::Mul(w, hn::LoadU(d4, p)));
      b = hn::Add(b, hn::Mul(w, hn::LoadU(d4, p + 2)));
      if (j == 5) break;
      const auto middle = hn::LoadU(d4, p + 1);
      lowest = hn::Min(lowest, middle);
      highest = hn::Max(highest, middle);
    }
    hn::Store(a, d4, left + 4 * i);
    hn::Store(b, d4, right + 4 * i);
    hn::Store(lowest, d4, low + 4 * i);
    hn::Store(highest, d4, high + 4 * i);
#endif
  }
  V c0, c1, c2, c3, c4, c5, unused0, unused1;
  hn::LoadInterleaved4(d, left, c0, c1, c2, c3);
#if HWY_MAX_BYTES >= 32
  hn::LoadInterleaved4(d, right, c4, c5, unused0, unused1);
#else
  hn::LoadInterleaved4(d, right, unused0, unused1, c4, c5);
#endif
  V x0, x1, x2, x3, x4, x5;
  weights<kernel>(d, ux, x0, x1, x2, x3, x4, x5);
  const V value = across(c0, c1, c2, c3, c4, c5, x0, x1, x2, x3, x4, x5);
  if (run.guard < 0.0F) return value;
  hn::LoadInterleaved4(d, low, c0, c1, c2, c3);
  const V lowest = hn::Min(hn::Min(c0, c1), hn::Min(c2, c3));
  hn::LoadInterleaved4(d, high, c0, c1, c2, c3);
  const V highest = hn::Max(hn::Max(c0, c1), hn::Max(c2, c3));
  return guarded(d, value, lowest, highest, run.guard);
}

// Lanes that lie side by side in few source rows: each piece is computed for all lanes and kept for
// its own. `turn` is -1 for a frame that runs backwards. False: too many pieces, or too near the
// source's end for plain loads.
template <Kernel kernel, int turn>
HWY_INLINE bool group_in_pieces(Floats d, const TapRun& run, std::size_t first, V ux, V uy,
                                V& value) {
  constexpr int most_pieces = 4;
  const auto lanes = static_cast<std::ptrdiff_t>(hn::Lanes(d));
  const std::int32_t *ix = run.ix + first, *iy = run.iy + first;
  std::ptrdiff_t begins[most_pieces + 1];
  int pieces = 0;
  for (std::ptrdiff_t k = 0; k < lanes; ++k) {
    if (k > 0 && iy[k] == iy[k - 1] && ix[k] - ix[k - 1] == turn) continue;
    const std::ptrdiff_t corner = ix[k] - turn * k - (turn < 0 ? lanes - 1 : 0);
    if (pieces == most_pieces || corner < 0 || corner + lanes + 5 > run.width) return false;
    begins[pieces++] = k;
  }
  const Ints di;
  const auto lane = hn::Iota(di, 0);
  for (int n = 0; n < pieces; ++n) {
    const std::ptrdiff_t k = begins[n];
    const std::ptrdiff_t corner = ix[k] - turn * k - (turn < 0 ? lanes - 1 : 0);
    const V part = group_in_a_row<kernel>(d, run.source + run.pitch * iy[k] + corner, run.pitch, ux,
                                          uy, run.guard);
    // In the order of the source.
    const auto from = hn::Set(di, static_cast<std::int32_t>(turn < 0 ? lanes - k : k - 1));
    const auto later = turn < 0 ? hn::Lt(lane, from) : hn::Gt(lane, from);
    value = n == 0 ? part : hn::IfThenElse(hn::RebindMask(d, later), part, value);
  }
  return true;
}

template <Kernel kernel>
void run_vectors_of(const TapRun& run, float* HWY_RESTRICT out, std::size_t count) {
  const Floats d;
  const Ints di;
  const std::size_t lanes = hn::Lanes(d);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const V ux = hn::LoadU(d, run.ux + i), uy = hn::LoadU(d, run.uy + i);
    const auto ix = hn::LoadU(di, run.ix + i), steps = hn::Iota(di, 0);
    const bool in_row = hn::AllTrue(di, hn::Eq(hn::LoadU(di, run.iy + i), hn::Set(di, run.iy[i])));
    const int turn = run.ix[i + 1] - run.ix[i];
    if (in_row && hn::AllTrue(di, hn::Eq(ix, hn::Add(hn::Set(di, run.ix[i]), steps)))) {
      const float* p = run.source + run.pitch * run.iy[i] + run.ix[i];
      const V value = group_in_a_row<kernel>(d, p, run.pitch, ux, uy, run.guard);
      hn::StoreU(value, d, out + i);
      continue;
    }
    V value;
    if (in_row && hn::AllTrue(di, hn::Eq(ix, hn::Sub(hn::Set(di, run.ix[i]), steps)))) {
      // A turned frame: the same from the other end.
      const float* p = run.source + run.pitch * run.iy[i] + run.ix[i + lanes - 1];
      value = group_in_a_row<kernel>(d, p, run.pitch, hn::Reverse(d, ux), hn::Reverse(d, uy),
                                     run.guard);
      hn::StoreU(hn::Reverse(d, value), d, out + i);
      continue;
    }
    if (turn >= 0 && turn <= 1 && group_in_pieces<kernel, 1>(d, run, i, ux, uy, value)) {
      hn::StoreU(value, d, out + i);
      continue;
    }
    if (turn == -1 &&
        group_in_pieces<kernel, -1>(d, run, i, hn::Reverse(d, ux), hn::Reverse(d, uy), value)) {
      hn::StoreU(hn::Reverse(d, value), d, out + i);
      continue;
    }
    hn::StoreU(group_scattered<kernel>(d, run, i, ux, uy), d, out + i);
  }
  if (i == count) return;
  TapRun rest = run;
  rest.ix += i;
  rest.iy += i;
  rest.ux += i;
  rest.uy += i;
  resample_run_scalar(rest, out + i, count - i);
}

void run_vectors(const TapRun& run, float* HWY_RESTRICT out, std::size_t count) {
  if (run.kernel == Kernel::lanczos3) return run_vectors_of<Kernel::lanczos3>(run, out, count);
  if (run.kernel == Kernel::bicubic) return run_vectors_of<Kernel::bicubic>(run, out, count);
  run_vectors_of<Kernel::bilinear>(run, out, count);
}
#endif

}  // namespace coldframe::align::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::align {
namespace {
HWY_EXPORT(run_vectors);
}  // namespace

void resample_run(const TapRun& run, float* out, std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(run_vectors)(run, out, count);
}

}  // namespace coldframe::align
#endif
