/// \file
/// The inner loops of the matched filter, row by row.
///
/// The scalar versions define the result; the vector versions do the same operations in the same
/// order (no fused multiply-add) and give the same bits.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <span>

#include "stars/sky_pieces.hpp"

namespace coldframe::stars {

/// A row of the image and the sky under it.
struct SignalInput {
  const float* row = nullptr;
  const float* light = nullptr;  ///< known light to take away; may be null
  std::span<const SkyPiece> sky;
  float per_cell = 1.0F;  ///< 1 / side of a cell of the mesh
};

/// The signal of pixel i of a piece: (pixel - level - light) / max(noise, 1e-30) where that lies
/// within +-1e7, else 0 (NaN fails both comparisons, so it becomes zero too).
[[nodiscard]] inline float signal_of(const SkyPiece& piece, int i, float per_cell, float pixel,
                                     const float* light) noexcept {
  constexpr float limit = 1e7F;
  const float f = piece.share(i, per_cell);
  float level = SkyPiece::value(piece.level, f);
  if (light != nullptr) level += *light;
  const float value = (pixel - level) / std::max(SkyPiece::value(piece.noise, f), 1e-30F);
  return value > -limit && value < limit ? value : 0.0F;
}

/// `signal_of` for every pixel of the row.
void signal_row(const SignalInput& in, float* out) noexcept;
void signal_row_scalar(const SignalInput& in, float* out) noexcept;

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

/// Whether a value within a row exceeds the limit, the one before it, and is no lower than the
/// next.
[[nodiscard]] inline bool is_crest(const float* values, std::size_t i, float limit) noexcept {
  return values[i] > limit && values[i] > values[i - 1] && values[i] >= values[i + 1];
}
/// The same for the first value, which none precedes; returns how many were found: 0 or 1.
[[nodiscard]] inline std::size_t first_crest(const float* values, std::size_t count, float limit,
                                             std::uint32_t* where) noexcept {
  if (count == 0 || !(values[0] > limit) || (count > 1 && values[0] < values[1])) return 0;
  where[0] = 0;
  return 1;
}
/// From value `i` > 0 to the last, which none follows.
[[nodiscard]] inline std::size_t last_crests(const float* values, std::size_t i, std::size_t count,
                                             float limit, std::uint32_t* where,
                                             std::size_t found) noexcept {
  for (; i + 1 < count; ++i) {
    if (is_crest(values, i, limit)) where[found++] = static_cast<std::uint32_t>(i);
  }
  if (i < count && values[i] > limit && values[i] > values[i - 1]) {
    where[found++] = static_cast<std::uint32_t>(i);
  }
  return found;
}

/// Crests above the limit along a row, in order; returns how many. `where` has room for `count`.
std::size_t find_crests(const float* values, std::size_t count, float limit,
                        std::uint32_t* where) noexcept;
std::size_t find_crests_scalar(const float* values, std::size_t count, float limit,
                               std::uint32_t* where) noexcept;

}  // namespace coldframe::stars
