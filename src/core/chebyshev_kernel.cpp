#include "core/chebyshev_kernel.hpp"

#include "coldframe/core/chebyshev.hpp"

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "core/chebyshev_kernel.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace coldframe::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

/// Writes the values from the first on and returns how many: whole vectors only.
std::size_t row_vectors(const double* HWY_RESTRICT series, int order, int x0, int width,
                        double* HWY_RESTRICT out, std::size_t count) {
  const hn::ScalableTag<double> d;
  const std::size_t lanes = hn::Lanes(d);
  const auto two = hn::Set(d, 2.0);
  const auto length = hn::Set(d, static_cast<double>(width));
  std::size_t p = 0;
  for (; p + lanes <= count; p += lanes) {
    const auto x = hn::Iota(d, static_cast<double>(x0) + static_cast<double>(p));
    const auto middle = hn::Add(x, hn::Set(d, 0.5));
    const auto u = hn::Sub(hn::Div(hn::Mul(two, middle), length), hn::Set(d, 1.0));
    auto b1 = hn::Zero(d);
    auto b2 = hn::Zero(d);
    for (int i = order; i >= 1; --i) {
      const auto b0 = hn::Add(hn::Sub(hn::Mul(hn::Mul(two, u), b1), b2), hn::Set(d, series[i]));
      b2 = b1;
      b1 = b0;
    }
    hn::StoreU(hn::Add(hn::Sub(hn::Mul(u, b1), b2), hn::Set(d, series[0])), d, out + p);
  }
  return p;
}

}  // namespace coldframe::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace coldframe {
namespace {

HWY_EXPORT(row_vectors);

template <typename T>
void scalar_row(const double* series, int order, int x0, int width, T* out, std::size_t first,
                std::size_t count) noexcept {
  for (std::size_t p = first; p < count; ++p) {
    const double x = static_cast<double>(x0) + static_cast<double>(p);
    out[p] = static_cast<T>(clenshaw(series, order, chebyshev_coordinate(x, width)));
  }
}

}  // namespace

double clenshaw(const double* series, int order, double u) noexcept {
  double b1 = 0.0;
  double b2 = 0.0;
  for (int i = order; i >= 1; --i) {
    const double b0 = 2.0 * u * b1 - b2 + series[i];
    b2 = b1;
    b1 = b0;
  }
  return u * b1 - b2 + series[0];
}

void chebyshev_row_scalar(const double* series, int order, int x0, int width, double* out,
                          std::size_t count) noexcept {
  scalar_row(series, order, x0, width, out, 0, count);
}
void chebyshev_row_scalar(const double* series, int order, int x0, int width, float* out,
                          std::size_t count) noexcept {
  scalar_row(series, order, x0, width, out, 0, count);
}

void chebyshev_row(const double* series, int order, int x0, int width, double* out,
                   std::size_t count) noexcept {
  const std::size_t done = HWY_DYNAMIC_DISPATCH(row_vectors)(series, order, x0, width, out, count);
  scalar_row(series, order, x0, width, out, done, count);
}

void chebyshev_row(const double* series, int order, int x0, int width, float* out,
                   std::size_t count) noexcept {
  constexpr std::size_t block = 64;
  double values[block];
  for (std::size_t start = 0; start < count; start += block) {
    const std::size_t n = count - start < block ? count - start : block;
    chebyshev_row(series, order, x0 + static_cast<int>(start), width, values, n);
    for (std::size_t p = 0; p < n; ++p) out[start + p] = static_cast<float>(values[p]);
  }
}

}  // namespace coldframe
#endif
