/// \file
/// Student's t for whole degrees of freedom.
#pragma once

namespace coldframe::stack::detail {

/// P(|T| > t) for t >= 0: the finite series of Abramowitz & Stegun 26.7.3 and 26.7.4.
[[nodiscard]] double student_two_sided(double t, int degrees) noexcept;

/// The t >= 0 with P(|T| > t) = tail, 0 < tail < 1.
[[nodiscard]] double student_quantile(double tail, int degrees) noexcept;

}  // namespace coldframe::stack::detail
