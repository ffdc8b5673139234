/// \file
/// Small dense normal equations without allocation, in fixed order.
#pragma once

#include <cstddef>

namespace coldframe::stars {

/// Square matrices of order n stand row by row with `stride` values a row. Factors
/// h + damping diag(h) into l l'; false when it is not positive definite.
[[nodiscard]] bool cholesky(const double* h, std::size_t n, std::size_t stride, double damping,
                            double* l) noexcept;
/// Solves l l' v = v in place.
void cholesky_solve(const double* l, std::size_t n, std::size_t stride, double* v) noexcept;
/// v' h v: the square of a step's length in standard errors.
[[nodiscard]] double quadratic_form(const double* h, std::size_t n, std::size_t stride,
                                    const double* v) noexcept;

}  // namespace coldframe::stars
