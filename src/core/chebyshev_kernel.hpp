// A Chebyshev series along a row of pixels. The scalar version defines the result.
#pragma once

#include <cstddef>

namespace coldframe {

/// Clenshaw's recurrence (1955, MTAC 9, 118): sum of series[i] T_i(u), i = 0 .. order.
double clenshaw(const double* series, int order, double u) noexcept;

/// out[p] = the series at `chebyshev_coordinate(x0 + p, width)`. Every pixel has its own
/// arithmetic: rows may be cut anywhere.
void chebyshev_row_scalar(const double* series, int order, int x0, int width, double* out,
                          std::size_t count) noexcept;
void chebyshev_row_scalar(const double* series, int order, int x0, int width, float* out,
                          std::size_t count) noexcept;
/// The same by the best instruction set at hand.
void chebyshev_row(const double* series, int order, int x0, int width, double* out,
                   std::size_t count) noexcept;
void chebyshev_row(const double* series, int order, int x0, int width, float* out,
                   std::size_t count) noexcept;

}  // namespace coldframe
