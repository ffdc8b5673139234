// Values to stored big-endian samples.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

#include "coldframe/fits/file_writer.hpp"

namespace coldframe::fits::detail {

[[nodiscard]] std::size_t sample_bytes(SampleType type) noexcept;
[[nodiscard]] int bitpix_of(SampleType type) noexcept;

/// Integers: rounded half to even, clamped, NaN becomes 0. uint16 is stored less 32768.
template <typename Value>
void encode_samples(SampleType type, std::span<const Value> values, std::byte* out) noexcept;

extern template void encode_samples(SampleType, std::span<const float>, std::byte*) noexcept;
extern template void encode_samples(SampleType, std::span<const std::uint8_t>, std::byte*) noexcept;
extern template void encode_samples(SampleType, std::span<const std::uint16_t>,
                                    std::byte*) noexcept;

/// All samples of `rows`, one row behind the other, and the sum of their big-endian words as if
/// they began with a word. `out` needs room for 3 bytes more, which become 0.
template <typename T>
[[nodiscard]] std::uint64_t encode_rows(SampleType type, PlaneView<const T> rows,
                                        std::uint8_t* out) noexcept;

extern template std::uint64_t encode_rows(SampleType, PlaneView<const float>,
                                          std::uint8_t*) noexcept;
extern template std::uint64_t encode_rows(SampleType, PlaneView<const std::uint8_t>,
                                          std::uint8_t*) noexcept;
extern template std::uint64_t encode_rows(SampleType, PlaneView<const std::uint16_t>,
                                          std::uint8_t*) noexcept;

/// One number, big-endian.
void put_big_endian(std::uint16_t word, std::byte* out) noexcept;
void put_big_endian(std::uint32_t word, std::byte* out) noexcept;
void put_big_endian(std::uint64_t word, std::byte* out) noexcept;

}  // namespace coldframe::fits::detail
