/// \file
/// The inner loops of the matched filter, row by row.
///
/// The scalar versions define the result; the vector versions do the same operations in the same
/// order (no fused multiply-add) and give the same bits.
#pragma once

#include <cstddef>

namespace coldframe::stars {

/// out = (row - level) / max(noise, 1e-30) where that lies within +-1e7, else 0 (NaN too).
void signal_row(const float* row, const float* level, const float* noise, float* out,
                std::size_t count) noexcept;
void signal_row_scalar(const float* row, const float* level, const float* noise, float* out,
                       std::size_t count) noexcept;

/// Symmetric taps along a row: `centre` points at pixel 0, and `radius` pixels before it and
/// after the last one can be read.
void filter_along(const float* centre, const float* taps, std::size_t radius, float* out,
                  std::size_t count) noexcept;
void filter_along_scalar(const float* centre, const float* taps, std::size_t radius, float* out,
                         std::size_t count) noexcept;

/// Symmetric taps across rows: rows[radius] is the centre, rows[0] the lowest, rows[2 radius]
/// the highest.
void filter_across(const float* const* rows, const float* taps, std::size_t radius, float* out,
                   std::size_t count) noexcept;
void filter_across_scalar(const float* const* rows, const float* taps, std::size_t radius,
                          float* out, std::size_t count) noexcept;

}  // namespace coldframe::stars
