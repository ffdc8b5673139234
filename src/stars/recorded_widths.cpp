#include "stars/recorded_widths.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/stars/profile_fit.hpp"

namespace coldframe::stars {
namespace {

constexpr double step = 0.1;

}  // namespace

RecordedWidths::RecordedWidths(double beta, double typical) noexcept
    : beta_(beta), low_(std::log(std::max(typical, 0.1)) - 0.5 * (nodes - 1) * step) {
  for (int k = 0; k < nodes; ++k) {
    const double width = std::exp(low_ + k * step);
    const double recorded = recorded_fwhm(width, beta);
    added_[static_cast<std::size_t>(k)] = recorded * recorded - width * width;
  }
}

double RecordedWidths::fwhm(double optical, double beta) const noexcept {
  const double place = (std::log(std::max(optical, 1e-3)) - low_) / step;
  const auto k = static_cast<int>(place);
  if (std::abs(beta - beta_) > 1e-9 * beta_ || !(place >= 1.0) || k + 2 >= nodes) {
    return recorded_fwhm(optical, beta);
  }
  const double f = place - k;
  const double* const p = added_.data() + k - 1;
  // Lagrange's cubic through four nodes.
  const double added =
      -f * (f - 1.0) * (f - 2.0) / 6.0 * p[0] + (f + 1.0) * (f - 1.0) * (f - 2.0) / 2.0 * p[1] -
      (f + 1.0) * f * (f - 2.0) / 2.0 * p[2] + (f + 1.0) * f * (f - 1.0) / 6.0 * p[3];
  return std::sqrt(optical * optical + added);
}

}  // namespace coldframe::stars
