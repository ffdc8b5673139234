/// \file
/// The inner loops of the sky mesh.
///
/// The scalar versions define the result; the vector versions give the same bits.
#pragma once

#include <cstddef>
#include <cstdint>

namespace coldframe::stars {

/// bins[i] = trunc(clamp((values[i] - low) * scale, -1, most) + 1) for finite values.
void find_bins(const float* values, std::size_t count, float low, float scale, float most,
               std::uint16_t* bins) noexcept;
void find_bins_scalar(const float* values, std::size_t count, float low, float scale, float most,
                      std::uint16_t* bins) noexcept;

/// Bits of a float's exponent: all set for what is not finite.
inline constexpr std::uint32_t exponent_bits = 0x7f800000;
/// Copies values; true when all are finite and all of `bad` are zero.
bool copy_good(const float* values, const std::uint8_t* bad, std::size_t count,
               float* out) noexcept;
bool copy_good_scalar(const float* values, const std::uint8_t* bad, std::size_t count,
                      float* out) noexcept;

/// out[i] = c[0] + f (c[1] + f (c[2] + f c[3])), f the way from the centre of a cell, `offset` + i
/// px from its first pixel, to that of the next one.
void cubic_run(const float* c, int offset, float per_cell, float* out, std::size_t count) noexcept;
void cubic_run_scalar(const float* c, int offset, float per_cell, float* out,
                      std::size_t count) noexcept;

}  // namespace coldframe::stars
