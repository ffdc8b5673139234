// Big-endian 16-bit integers to float32. The scalar version defines the result.
#pragma once

#include <cstddef>
#include <cstdint>

namespace coldframe::fits::detail {

/// out[i] = float(int16 at 2i + offset), offset 0 or 32768. Exact: 17 bits fit a float.
void decode16_scalar(const std::uint8_t* codes, float* out, std::size_t count,
                     std::int32_t offset) noexcept;
/// The same by the best instruction set at hand.
void decode16(const std::uint8_t* codes, float* out, std::size_t count,
              std::int32_t offset) noexcept;

}  // namespace coldframe::fits::detail
