/// \file
/// From fitted parameters to the public record of a star.
#pragma once

#include "coldframe/core/star.hpp"
#include "stars/profile_lm.hpp"

namespace coldframe::stars {

/// Axes of an ellipse as recorded, pixel response included.
[[nodiscard]] Ellipse recorded_ellipse(const Ellipse& optical, double beta) noexcept;

/// `start` with everything the fit found; `recorded` is the fitted ellipse as recorded (the
/// caller computes it, once for many stars when the shape was fixed).
[[nodiscard]] Star star_from_fit(const FitResult& fit, const Star& start,
                                 const Ellipse& recorded) noexcept;

/// Inverse of `recorded_fwhm`, to about 1e-4.
[[nodiscard]] double optical_fwhm(double recorded, double beta) noexcept;

}  // namespace coldframe::stars
