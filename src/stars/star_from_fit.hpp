/// \file
/// From fitted parameters to the public record of a star.
#pragma once

#include "coldframe/core/star.hpp"
#include "stars/profile_lm.hpp"

namespace coldframe::stars {

/// `start` with everything the fit found.
[[nodiscard]] Star star_from_fit(const FitResult& fit, const Star& start) noexcept;

/// Inverse of `recorded_fwhm`, to about 1e-4.
[[nodiscard]] double optical_fwhm(double recorded, double beta) noexcept;

}  // namespace coldframe::stars
