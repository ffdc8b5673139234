#include "coldframe/align/kernel_weights.hpp"

#include <array>
#include <cmath>
#include <numbers>

namespace coldframe::align {
namespace {

double sinc(double x) noexcept {
  if (x == 0.0) return 1.0;
  const double angle = std::numbers::pi * x;
  return std::sin(angle) / angle;
}

double keys(double x) noexcept {
  const double a = std::fabs(x);
  if (a < 1.0) return (1.5 * a - 2.5) * a * a + 1.0;
  if (a < 2.0) return ((-0.5 * a + 2.5) * a - 4.0) * a + 2.0;
  return 0.0;
}

// Lanczos-3 at a spacing of 1/2048; linear interpolation errs by less than 2e-7.
double tabulated_lanczos(double x) noexcept {
  constexpr int steps = 2048;
  static const auto table = [] {
    std::array<double, steps * taps_after + 2> values{};
    for (std::size_t i = 0; i < values.size(); ++i) {
      values[i] = kernel_value(Kernel::lanczos3, static_cast<double>(i) / steps);
    }
    return values;
  }();
  const double at = std::fabs(x) * steps;
  if (!(at < steps * taps_after)) return 0.0;
  const auto i = static_cast<std::size_t>(at);
  return table[i] + (at - static_cast<double>(i)) * (table[i + 1] - table[i]);
}

// Solves a symmetric positive definite system by Cholesky's factors; the solution replaces b.
void solve_four(double (&a)[4][4], double (&b)[4]) noexcept {
  for (int i = 0; i < 4; ++i) {
    for (int j = 0; j <= i; ++j) {
      double value = a[i][j];
      for (int k = 0; k < j; ++k) value -= a[i][k] * a[j][k];
      a[i][j] = i == j ? std::sqrt(value) : value / a[j][j];
    }
    for (int k = 0; k < i; ++k) b[i] -= a[i][k] * b[k];
    b[i] /= a[i][i];
  }
  for (int i = 3; i >= 0; --i) {
    for (int k = i + 1; k < 4; ++k) b[i] -= a[k][i] * b[k];
    b[i] /= a[i][i];
  }
}

// The least change, in the measure of a parabola over the kernel's reach, after which
// the moments of orders 0 to 3 about s are 1, 0, 0, 0.
void reproduce_cubics(double s, double reach, int first, int count, double* weights) noexcept {
  double moments[7]{}, lacking[4]{1.0, 0.0, 0.0, 0.0};
  for (int k = 0; k < count; ++k) {
    const double d = (first + k - s) / reach;
    double power = 1.0 - d * d, own = weights[k];
    for (int n = 0; n < 7; ++n, power *= d) moments[n] += power;
    for (int n = 0; n < 4; ++n, own *= d) lacking[n] -= own;
  }
  double system[4][4];
  for (int i = 0; i < 4; ++i) {
    for (int j = 0; j < 4; ++j) system[i][j] = moments[i + j];
  }
  solve_four(system, lacking);
  for (int k = 0; k < count; ++k) {
    const double d = (first + k - s) / reach;
    const double change = ((lacking[3] * d + lacking[2]) * d + lacking[1]) * d + lacking[0];
    weights[k] += (1.0 - d * d) * change;
  }
}

}  // namespace

double kernel_value(Kernel kernel, double x) noexcept {
  switch (kernel) {
    case Kernel::lanczos3:
      return std::fabs(x) < 3.0 ? sinc(x) * sinc(x / 3.0) : 0.0;
    case Kernel::bicubic:
      return keys(x);
    case Kernel::bilinear:
      return std::fabs(x) < 1.0 ? 1.0 - std::fabs(x) : 0.0;
  }
  return 0.0;
}

void exact_weights(Kernel kernel, double t, double* weights) noexcept {
  double sum = 0.0;
  for (int k = 0; k < tap_count; ++k) {
    weights[k] = kernel_value(kernel, t - (k - taps_before));
    sum += weights[k];
  }
  for (int k = 0; k < tap_count; ++k) weights[k] /= sum;
  if (kernel != Kernel::lanczos3) return;
  constexpr double middle = 0.5 * (tap_count - 1);
  double place = 0.0, squares = 0.0;
  for (int k = 0; k < tap_count; ++k) {
    place += weights[k] * (k - middle);
    squares += (k - middle) * (k - middle);
  }
  for (int k = 0; k < tap_count; ++k) {
    weights[k] += ((t - 0.5) - place) / squares * (k - middle);
  }
}

void stretched_weights(Kernel kernel, double s, double factor, int first, int count,
                       double* weights) noexcept {
  double sum = 0.0;
  for (int k = 0; k < count; ++k) {
    const double distance = (s - (first + k)) / factor;
    weights[k] =
        kernel == Kernel::lanczos3 ? tabulated_lanczos(distance) : kernel_value(kernel, distance);
    sum += weights[k];
  }
  for (int k = 0; k < count; ++k) weights[k] /= sum;
  const double reach = taps_after * factor;
  const bool whole = first <= s - reach + 1.0 && first + count - 1 >= s + reach - 1.0;
  if (kernel == Kernel::lanczos3 && whole) reproduce_cubics(s, reach, first, count, weights);
}

}  // namespace coldframe::align
