#include "stars/profile_kernel.hpp"

#include <array>
#include <bit>
#include <cstdint>
#include <numbers>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "stars/profile_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::stars::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

using F = hn::ScalableTag<float>;
using I = hn::RebindToSigned<F>;
using V = hn::Vec<F>;

HWY_INLINE V number(double value) { return hn::Set(F(), static_cast<float>(value)); }

/// z c[0] + ... by Horner, highest power first.
template <typename... Rest>
HWY_INLINE V horner(V z, V sum, double next, Rest... rest) {
  const V now = hn::Add(number(next), hn::Mul(z, sum));
  if constexpr (sizeof...(rest) == 0) {
    return now;
  } else {
    return horner(z, now, static_cast<double>(rest)...);
  }
}

/// As `log2_of` below.
HWY_INLINE V log2_vector(V v) {
  const I di;
  const auto bits = hn::BitCast(di, v);
  const auto exponent = hn::ShiftRight<23>(hn::Sub(bits, hn::Set(di, 0x3f3504f3)));
  const V m = hn::BitCast(F(), hn::Sub(bits, hn::ShiftLeft<23>(exponent)));
  const V s = hn::Div(hn::Sub(m, number(1.0)), hn::Add(m, number(1.0)));
  const V series = horner(hn::Mul(s, s), number(1.0 / 9), 1.0 / 7, 1.0 / 5, 1.0 / 3, 1.0);
  const V scaled = hn::Mul(hn::Mul(s, series), number(2.0 / std::numbers::ln2));
  return hn::Add(hn::ConvertTo(F(), exponent), scaled);
}

/// As `exp2_of` below.
HWY_INLINE V exp2_vector(V t) {
  const I di;
  const auto whole = hn::ConvertTo(di, hn::Sub(t, number(0.5)));
  const V z = hn::Mul(hn::Sub(t, hn::ConvertTo(F(), whole)), number(std::numbers::ln2));
  const V e = horner(z, number(1.0 / 5040), 1.0 / 720, 1.0 / 120, 1.0 / 24, 1.0 / 6, 0.5, 1.0, 1.0);
  const auto exponent = hn::Max(hn::Add(whole, hn::Set(di, 127)), hn::Zero(di));
  return hn::Mul(e, hn::BitCast(F(), hn::ShiftLeft<23>(exponent)));
}

HWY_INLINE V distance2(const ProfileShape& p, V dx, V dy) {
  const F df;
  const V sx = hn::Add(hn::Mul(hn::Set(df, p.s11), dx), hn::Mul(hn::Set(df, 2.0F * p.s12), dy));
  return hn::Add(hn::Mul(sx, dx), hn::Mul(hn::Mul(hn::Set(df, p.s22), dy), dy));
}

template <bool gaussian>
HWY_INLINE V light_of_pixels(const ProfileShape& p, const PixelNodes& nodes, V px, V py) {
  const F df;
  V g = hn::Zero(df);
  for (std::size_t n = 0; n < nodes.count; ++n) {
    const V dx = hn::Sub(hn::Add(px, hn::Set(df, nodes.x[n])), hn::Set(df, p.x));
    const V dy = hn::Sub(hn::Add(py, hn::Set(df, nodes.y[n])), hn::Set(df, p.y));
    const V s = distance2(p, dx, dy);
    const V weight = hn::Set(df, nodes.weight[n]);
    if constexpr (gaussian) {
      g = hn::Add(g, hn::Mul(weight, exp2_vector(hn::Neg(s))));
    } else {
      const V v = hn::Add(number(1.0), hn::Mul(hn::Set(df, p.k), s));
      g = hn::Add(g, hn::Mul(weight, exp2_vector(hn::Mul(hn::Set(df, -p.beta), log2_vector(v)))));
    }
  }
  return g;
}

template <bool gaussian>
HWY_INLINE void vector_of_pixels(const ProfileShape& p, const PixelNodes& nodes,
                                 const ProfileArrays& a, std::size_t i) {
  const F df;
  const V px = hn::LoadU(df, a.x + i);
  const V py = hn::LoadU(df, a.y + i);
  V g = hn::Zero(df), hx = g, hy = g, hxx = g, hxy = g, hyy = g, gb = g;
  for (std::size_t n = 0; n < nodes.count; ++n) {
    const V dx = hn::Sub(hn::Add(px, hn::Set(df, nodes.x[n])), hn::Set(df, p.x));
    const V dy = hn::Sub(hn::Add(py, hn::Set(df, nodes.y[n])), hn::Set(df, p.y));
    const V s = distance2(p, dx, dy);
    const V weight = hn::Set(df, nodes.weight[n]);
    V light, h;
    if constexpr (gaussian) {
      light = hn::Mul(weight, exp2_vector(hn::Neg(s)));
      h = hn::Mul(light, number(-std::numbers::ln2));
    } else {
      const V v = hn::Add(number(1.0), hn::Mul(hn::Set(df, p.k), s));
      const V log2v = log2_vector(v);
      light = hn::Mul(weight, exp2_vector(hn::Mul(hn::Set(df, -p.beta), log2v)));
      const V inverse = hn::Div(number(1.0), v);
      h = hn::Mul(hn::Mul(hn::Set(df, -p.beta * p.k), light), inverse);
      const V slope = hn::Mul(hn::Mul(s, hn::Set(df, p.slope_factor)), inverse);
      gb = hn::Add(gb, hn::Mul(light, hn::Sub(hn::Mul(log2v, hn::Set(df, p.log_factor)), slope)));
    }
    const V hdx = hn::Mul(h, dx);
    const V hdy = hn::Mul(h, dy);
    g = hn::Add(g, light);
    hx = hn::Add(hx, hdx);
    hy = hn::Add(hy, hdy);
    hxx = hn::Add(hxx, hn::Mul(hdx, dx));
    hxy = hn::Add(hxy, hn::Mul(hdx, dy));
    hyy = hn::Add(hyy, hn::Mul(hdy, dy));
  }
  hn::StoreU(g, df, a.g + i);
  hn::StoreU(hx, df, a.hx + i);
  hn::StoreU(hy, df, a.hy + i);
  hn::StoreU(hxx, df, a.hxx + i);
  hn::StoreU(hxy, df, a.hxy + i);
  hn::StoreU(hyy, df, a.hyy + i);
  hn::StoreU(gb, df, a.gb + i);
}

HWY_INLINE void vector_at(const ProfileShape& shape, const PixelNodes& nodes,
                          const ProfileArrays& arrays, std::size_t i) {
  if (shape.gaussian) {
    vector_of_pixels<true>(shape, nodes, arrays, i);
  } else {
    vector_of_pixels<false>(shape, nodes, arrays, i);
  }
}

void integrate_vectors(const ProfileShape& shape, const PixelNodes& nodes,
                       const ProfileArrays& arrays, std::size_t count) {
  const std::size_t lanes = hn::Lanes(F());
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) vector_at(shape, nodes, arrays, i);
  if (i == count) return;
  // The rest in registers of its own: the same operations, so the same bits.
  HWY_ALIGN float tail[9][HWY_MAX_BYTES / sizeof(float)] = {};
  for (std::size_t k = 0; i + k < count; ++k) {
    tail[0][k] = arrays.x[i + k];
    tail[1][k] = arrays.y[i + k];
  }
  const ProfileArrays rest{tail[0], tail[1], tail[2], tail[3], tail[4],
                           tail[5], tail[6], tail[7], tail[8]};
  vector_at(shape, nodes, rest, 0);
  const ProfileArrays to = arrays.from(i);
  const std::array<float*, 7> rows{to.g, to.hx, to.hy, to.hxx, to.hxy, to.hyy, to.gb};
  for (std::size_t r = 0; r < rows.size(); ++r) {
    for (std::size_t k = 0; i + k < count; ++k) rows[r][k] = tail[r + 2][k];
  }
}

void light_vectors(const ProfileShape& shape, const PixelNodes& nodes, const float* x,
                   const float* y, float* g, std::size_t count) {
  const F df;
  const std::size_t lanes = hn::Lanes(df);
  std::size_t i = 0;
  for (; i + lanes <= count; i += lanes) {
    const V px = hn::LoadU(df, x + i);
    const V py = hn::LoadU(df, y + i);
    hn::StoreU(shape.gaussian ? light_of_pixels<true>(shape, nodes, px, py)
                              : light_of_pixels<false>(shape, nodes, px, py),
               df, g + i);
  }
  if (i == count) return;
  // The rest in a register of its own: the same operations, so the same bits.
  HWY_ALIGN float tail[3][HWY_MAX_BYTES / sizeof(float)] = {};
  for (std::size_t k = 0; i + k < count; ++k) {
    tail[0][k] = x[i + k];
    tail[1][k] = y[i + k];
  }
  const V px = hn::Load(df, tail[0]);
  const V py = hn::Load(df, tail[1]);
  hn::Store(shape.gaussian ? light_of_pixels<true>(shape, nodes, px, py)
                           : light_of_pixels<false>(shape, nodes, px, py),
            df, tail[2]);
  for (std::size_t k = 0; i + k < count; ++k) g[i + k] = tail[2][k];
}

void dot_vectors(const float* HWY_RESTRICT a, const float* HWY_RESTRICT b, std::size_t count,
                 float* HWY_RESTRICT sums) {
  const hn::CappedTag<float, 16> d;
  const std::size_t lanes = hn::Lanes(d);
  for (std::size_t k = 0; k < 16; k += lanes) {
    auto sum = hn::Zero(d);
    for (std::size_t i = k; i + 16 - k <= count; i += 16) {
      sum = hn::Add(sum, hn::Mul(hn::LoadU(d, a + i), hn::LoadU(d, b + i)));
    }
    hn::StoreU(sum, d, sums + k);
  }
}

}  // namespace coldframe::stars::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe::stars {
namespace {

HWY_EXPORT(integrate_vectors);
HWY_EXPORT(light_vectors);
HWY_EXPORT(dot_vectors);

constexpr float ln2 = std::numbers::ln2_v<float>;

/// log2 of a normal positive float to 2e-7: mantissa in [1/sqrt2, sqrt2), then the series of
/// 2 artanh. No library call: the vector versions must be able to do the same.
float log2_of(float v) noexcept {
  const auto bits = std::bit_cast<std::int32_t>(v);
  const std::int32_t exponent = (bits - 0x3f3504f3) >> 23;
  const float m = std::bit_cast<float>(bits - exponent * (1 << 23));
  const float s = (m - 1.0F) / (m + 1.0F);
  const float z = s * s;
  const float series = 1.0F + z * (1.0F / 3 + z * (1.0F / 5 + z * (1.0F / 7 + z * (1.0F / 9))));
  return static_cast<float>(exponent) + s * series * static_cast<float>(2.0 / std::numbers::ln2);
}

/// 2^t for t <= 0 to 2e-7 (0 below 2^-126): Taylor of exp about the nearest integer.
float exp2_of(float t) noexcept {
  const auto whole = static_cast<std::int32_t>(t - 0.5F);
  const float z = (t - static_cast<float>(whole)) * ln2;
  float e = 1.0F / 5040;
  for (const float c : {1.0F / 720, 1.0F / 120, 1.0F / 24, 1.0F / 6, 0.5F, 1.0F, 1.0F})
    e = c + z * e;
  const std::int32_t exponent = whole + 127;
  return e * std::bit_cast<float>((exponent < 0 ? 0 : exponent) * (1 << 23));
}

struct Sums {
  float g = 0, hx = 0, hy = 0, hxx = 0, hxy = 0, hyy = 0, gb = 0;
};

void add_node(const ProfileShape& p, float dx, float dy, float weight, Sums& sums) noexcept {
  const float s = (p.s11 * dx + 2.0F * p.s12 * dy) * dx + p.s22 * dy * dy;
  float light = 0.0F;
  float h = 0.0F;
  if (p.gaussian) {
    light = weight * exp2_of(-s);
    h = light * -ln2;
  } else {
    const float v = 1.0F + p.k * s;
    const float log2v = log2_of(v);
    light = weight * exp2_of(-p.beta * log2v);
    const float inverse = 1.0F / v;
    h = -p.beta * p.k * light * inverse;
    sums.gb += light * (log2v * p.log_factor - s * p.slope_factor * inverse);
  }
  sums.g += light;
  sums.hx += h * dx;
  sums.hy += h * dy;
  sums.hxx += h * dx * dx;
  sums.hxy += h * dx * dy;
  sums.hyy += h * dy * dy;
}

}  // namespace

void integrate_profile_scalar(const ProfileShape& shape, const PixelNodes& nodes,
                              const ProfileArrays& arrays, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    Sums sums;
    for (std::size_t n = 0; n < nodes.count; ++n) {
      add_node(shape, arrays.x[i] + nodes.x[n] - shape.x, arrays.y[i] + nodes.y[n] - shape.y,
               nodes.weight[n], sums);
    }
    arrays.g[i] = sums.g;
    arrays.hx[i] = sums.hx;
    arrays.hy[i] = sums.hy;
    arrays.hxx[i] = sums.hxx;
    arrays.hxy[i] = sums.hxy;
    arrays.hyy[i] = sums.hyy;
    arrays.gb[i] = sums.gb;
  }
}

void integrate_light_scalar(const ProfileShape& p, const PixelNodes& nodes, const float* x,
                            const float* y, float* g, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    float sum = 0.0F;
    for (std::size_t n = 0; n < nodes.count; ++n) {
      const float dx = x[i] + nodes.x[n] - p.x;
      const float dy = y[i] + nodes.y[n] - p.y;
      const float s = (p.s11 * dx + 2.0F * p.s12 * dy) * dx + p.s22 * dy * dy;
      const float exponent = p.gaussian ? -s : -p.beta * log2_of(1.0F + p.k * s);
      sum += nodes.weight[n] * exp2_of(exponent);
    }
    g[i] = sum;
  }
}

void integrate_light(const ProfileShape& shape, const PixelNodes& nodes, const float* x,
                     const float* y, float* g, std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(light_vectors)(shape, nodes, x, y, g, count);
}

void integrate_profile(const ProfileShape& shape, const PixelNodes& nodes,
                       const ProfileArrays& arrays, std::size_t count) noexcept {
  HWY_DYNAMIC_DISPATCH(integrate_vectors)(shape, nodes, arrays, count);
}

namespace {

/// What is left beyond the whole sixteens, and the sum of all.
double finish_dot(std::array<float, 16>& sums, const float* a, const float* b,
                  std::size_t count) noexcept {
  const std::size_t whole = count / 16 * 16;
  for (std::size_t k = 0; whole + k < count; ++k) sums[k] += a[whole + k] * b[whole + k];
  double sum = 0.0;
  for (const float part : sums) sum += static_cast<double>(part);
  return sum;
}

}  // namespace

double dot(const float* a, const float* b, std::size_t count) noexcept {
  std::array<float, 16> sums;
  HWY_DYNAMIC_DISPATCH(dot_vectors)(a, b, count, sums.data());
  return finish_dot(sums, a, b, count);
}

double dot_scalar(const float* a, const float* b, std::size_t count) noexcept {
  std::array<float, 16> sums{};
  for (std::size_t i = 0; i < count / 16 * 16; ++i) sums[i % 16] += a[i] * b[i];
  return finish_dot(sums, a, b, count);
}

}  // namespace coldframe::stars
#endif
