#include "coldframe/align/kernel_weights.hpp"

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
}

}  // namespace coldframe::align
