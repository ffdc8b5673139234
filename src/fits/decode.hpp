// Stored samples to physical values.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <optional>

#include "coldframe/core/header.hpp"

namespace coldframe::fits::detail {

/// How samples are stored; physical value = zero + scale * stored (FITS 4.0, equation 3).
struct SampleFormat {
  int bitpix = 16;
  double scale = 1.0;
  double zero = 0.0;
  std::optional<std::int64_t> blank;  ///< compared before scaling; integers only

  [[nodiscard]] std::size_t bytes() const noexcept {
    return static_cast<std::size_t>(bitpix < 0 ? -bitpix : bitpix) / 8;
  }
  /// Plain 16-bit codes, 0 or 32768 added.
  [[nodiscard]] bool codes16() const noexcept {
    return bitpix == 16 && scale == 1.0 && (zero == 0.0 || zero == 32768.0) && !blank;
  }
};

/// Reads BSCALE, BZERO and BLANK. Throws Error(input) for values that make no scale.
[[nodiscard]] SampleFormat sample_format(const Header& header, int bitpix,
                                         const std::filesystem::path& path);

/// Decodes `count` big-endian samples; blank ones become NaN.
void decode_samples(const SampleFormat& format, const std::byte* raw, float* out,
                    std::size_t count) noexcept;

}  // namespace coldframe::fits::detail
