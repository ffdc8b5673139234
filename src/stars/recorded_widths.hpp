/// \file
/// Widths as recorded for many fits of one exponent.
#pragma once

#include <array>

#include "stars/profile_model.hpp"

namespace coldframe::stars {

/// `recorded_fwhm` by a table over the logarithm of the width about a typical one. What the pixel
/// adds to the square of the width varies slowly: cubic interpolation in steps of 0.1 keeps
/// 2e-5 px. Other exponents, and widths beyond the table (0.4 to 2.5 times the typical one), are
/// computed.
class RecordedWidths {
 public:
  /// beta 0 = Gaussian; `typical`: width before the pixel.
  RecordedWidths(double beta, double typical) noexcept;
  [[nodiscard]] double fwhm(double optical, double beta) const noexcept;
  [[nodiscard]] Ellipse operator()(const Ellipse& optical, double beta) const noexcept {
    return {fwhm(optical.major, beta), fwhm(optical.minor, beta), optical.angle_deg};
  }

 private:
  static constexpr int nodes = 22;
  double beta_;
  double low_;                         ///< logarithm of the width at node 0
  std::array<double, nodes> added_{};  ///< recorded^2 - optical^2
};

}  // namespace coldframe::stars
