/// \file
/// Logarithm of the gamma function for several threads at once.
#pragma once

#include <cmath>

namespace coldframe {

/// ln |Gamma(x)|, the value of std::lgamma, which also writes the sign into a global variable that
/// all threads share.
[[nodiscard]] inline double log_gamma(double x) noexcept {
  int sign = 0;
  return ::lgamma_r(x, &sign);
}

}  // namespace coldframe
