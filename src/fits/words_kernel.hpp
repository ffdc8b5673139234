// Big-endian words of 32 bits: float32 on its way to a file, and the sums of FITS checksums. The
// scalar versions define the results.
#pragma once

#include <cstddef>
#include <cstdint>

namespace coldframe::fits::detail {

/// Writes the floats big-endian to `out` (4 bytes each) and returns the sum of their bits as words;
/// a count below 2^32 cannot overflow it.
std::uint64_t encode_floats_scalar(const float* values, std::uint8_t* out,
                                   std::size_t count) noexcept;
/// The same by the best instruction set at hand.
std::uint64_t encode_floats(const float* values, std::uint8_t* out, std::size_t count) noexcept;

/// Reads big-endian floats.
void decode_floats_scalar(const std::uint8_t* stored, float* out, std::size_t count) noexcept;
/// The same by the best instruction set at hand.
void decode_floats(const std::uint8_t* stored, float* out, std::size_t count) noexcept;

/// Sum of `count` big-endian words; a count below 2^32 cannot overflow it.
std::uint64_t sum_words_scalar(const std::uint8_t* bytes, std::size_t count) noexcept;
/// The same by the best instruction set at hand.
std::uint64_t sum_words(const std::uint8_t* bytes, std::size_t count) noexcept;

}  // namespace coldframe::fits::detail
