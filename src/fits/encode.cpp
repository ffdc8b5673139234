#include "fits/encode.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstring>
#include <limits>
#include <type_traits>

#include "fits/words_kernel.hpp"

namespace coldframe::fits::detail {

std::size_t sample_bytes(SampleType type) noexcept {
  const int bits = bitpix_of(type);
  return static_cast<std::size_t>(bits < 0 ? -bits : bits) / 8;
}

int bitpix_of(SampleType type) noexcept {
  switch (type) {
    case SampleType::float32:
      return -32;
    case SampleType::uint8:
      return 8;
    case SampleType::uint16:
    case SampleType::int16:
      return 16;
    case SampleType::int32:
      return 32;
  }
  return -32;
}

void put_big_endian(std::uint16_t word, std::byte* out) noexcept {
  word = __builtin_bswap16(word);
  std::memcpy(out, &word, sizeof(word));
}
void put_big_endian(std::uint32_t word, std::byte* out) noexcept {
  word = __builtin_bswap32(word);
  std::memcpy(out, &word, sizeof(word));
}
void put_big_endian(std::uint64_t word, std::byte* out) noexcept {
  word = __builtin_bswap64(word);
  std::memcpy(out, &word, sizeof(word));
}

namespace {

/// In double, since a float cannot hold the ends of int32.
template <typename Integer, typename Value>
Integer to_integer(Value value) noexcept {
  constexpr auto low = static_cast<double>(std::numeric_limits<Integer>::min());
  constexpr auto high = static_cast<double>(std::numeric_limits<Integer>::max());
  const double rounded = std::nearbyint(static_cast<double>(value));
  if (!(rounded >= low)) return rounded < low ? std::numeric_limits<Integer>::min() : Integer{0};
  return rounded > high ? std::numeric_limits<Integer>::max() : static_cast<Integer>(rounded);
}

template <typename Value>
void encode_float(std::span<const Value> values, std::byte* out) noexcept {
  for (std::size_t i = 0; i < values.size(); ++i) {
    put_big_endian(std::bit_cast<std::uint32_t>(static_cast<float>(values[i])), out + 4 * i);
  }
}

template <typename Integer, typename Value>
void encode_integer(std::span<const Value> values, std::byte* out) noexcept {
  using Word = std::make_unsigned_t<Integer>;
  constexpr unsigned sign_bit = 0x8000U;  // FITS has no unsigned 16-bit: stored less 32768
  constexpr auto flip = static_cast<Word>(std::is_same_v<Integer, std::uint16_t> ? sign_bit : 0U);
  for (std::size_t i = 0; i < values.size(); ++i) {
    Integer code{};
    if constexpr (std::is_same_v<Integer, Value>) {
      code = values[i];
    } else {
      code = to_integer<Integer>(values[i]);
    }
    const auto word = static_cast<Word>(static_cast<Word>(code) ^ flip);
    if constexpr (sizeof(Word) == 1) {
      out[i] = static_cast<std::byte>(word);
    } else {
      put_big_endian(word, out + sizeof(Word) * i);
    }
  }
}

}  // namespace

template <typename Value>
void encode_samples(SampleType type, std::span<const Value> values, std::byte* out) noexcept {
  switch (type) {
    case SampleType::float32:
      return encode_float(values, out);
    case SampleType::uint8:
      return encode_integer<std::uint8_t>(values, out);
    case SampleType::uint16:
      return encode_integer<std::uint16_t>(values, out);
    case SampleType::int16:
      return encode_integer<std::int16_t>(values, out);
    case SampleType::int32:
      return encode_integer<std::int32_t>(values, out);
  }
}

template void encode_samples(SampleType, std::span<const float>, std::byte*) noexcept;
template void encode_samples(SampleType, std::span<const std::uint8_t>, std::byte*) noexcept;
template void encode_samples(SampleType, std::span<const std::uint16_t>, std::byte*) noexcept;

template <typename T>
std::uint64_t encode_rows(SampleType type, PlaneView<const T> rows, std::uint8_t* out) noexcept {
  const std::size_t row_bytes = sample_bytes(type) * static_cast<std::size_t>(rows.width());
  std::uint64_t sum = 0;
  const bool floats = std::is_same_v<T, float> && type == SampleType::float32;
  for (int y = 0; y < rows.height(); ++y) {
    std::uint8_t* const to = out + static_cast<std::size_t>(y) * row_bytes;
    if constexpr (std::is_same_v<T, float>) {
      if (floats) sum += encode_floats(rows.row(y).data(), to, rows.row(y).size());
    }
    if (!floats) {
      encode_samples(type, std::span<const T>(rows.row(y)), reinterpret_cast<std::byte*>(to));
    }
  }
  if (floats) return sum;
  const std::size_t bytes = row_bytes * static_cast<std::size_t>(rows.height());
  std::fill_n(out + bytes, 3, std::uint8_t{0});
  return sum_words(out, (bytes + 3) / 4);
}

template std::uint64_t encode_rows(SampleType, PlaneView<const float>, std::uint8_t*) noexcept;
template std::uint64_t encode_rows(SampleType, PlaneView<const std::uint8_t>,
                                   std::uint8_t*) noexcept;
template std::uint64_t encode_rows(SampleType, PlaneView<const std::uint16_t>,
                                   std::uint8_t*) noexcept;

}  // namespace coldframe::fits::detail
