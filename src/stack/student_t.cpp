#include "student_t.hpp"

#include <cmath>
#include <numbers>

#include "coldframe/core/log_gamma.hpp"

namespace coldframe::stack::detail {
namespace {

double density(double t, double n) noexcept {
  return std::exp(log_gamma(0.5 * (n + 1.0)) - log_gamma(0.5 * n) -
                  0.5 * (n + 1.0) * std::log1p(t * t / n)) /
         std::sqrt(n * std::numbers::pi);
}

}  // namespace

double student_two_sided(double t, int degrees) noexcept {
  const double n = degrees;
  const double angle = std::atan2(t, std::sqrt(n));
  const double cosine2 = n / (n + t * t);
  const bool odd = degrees % 2 == 1;
  // Terms of the series; the odd one starts at cos, the even one at 1.
  double term = odd ? std::sqrt(cosine2) : 1.0;
  double sum = degrees > 1 ? term : 0.0;
  for (int k = odd ? 3 : 2; k <= degrees - 2; k += 2) {
    term *= cosine2 * static_cast<double>(k - 1) / static_cast<double>(k);
    sum += term;
  }
  const double inside =
      odd ? 2.0 / std::numbers::pi * (angle + std::sin(angle) * sum) : std::sin(angle) * sum;
  return 1.0 - inside;
}

double student_quantile(double tail, int degrees) noexcept {
  double low = 0.0;
  double high = 2.0;
  while (student_two_sided(high, degrees) > tail && high < 1e9) {
    low = high;
    high *= 2.0;
  }
  double t = 0.5 * (low + high);
  for (int step = 0; step < 200; ++step) {
    const double excess = student_two_sided(t, degrees) - tail;
    (excess > 0.0 ? low : high) = t;
    double next = t + excess / (2.0 * density(t, degrees));
    if (!(next > low && next < high)) next = 0.5 * (low + high);
    if (std::fabs(next - t) <= 1e-13 * t) return next;
    t = next;
  }
  return t;
}

}  // namespace coldframe::stack::detail
