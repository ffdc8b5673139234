#include "fits/decode.hpp"

#include <bit>
#include <cstring>
#include <limits>

#include "fits/bytes.hpp"
#include "fits/swap16_kernel.hpp"
#include "fits/words_kernel.hpp"

namespace coldframe::fits::detail {
namespace {

template <std::size_t N>
struct Word;
template <>
struct Word<1> {
  using type = std::uint8_t;
  static type native(type w) noexcept { return w; }
};
template <>
struct Word<2> {
  using type = std::uint16_t;
  static type native(type w) noexcept { return __builtin_bswap16(w); }
};
template <>
struct Word<4> {
  using type = std::uint32_t;
  static type native(type w) noexcept { return __builtin_bswap32(w); }
};
template <>
struct Word<8> {
  using type = std::uint64_t;
  static type native(type w) noexcept { return __builtin_bswap64(w); }
};

template <typename Stored>
Stored load(const std::byte* raw) noexcept {
  using W = Word<sizeof(Stored)>;
  typename W::type word;
  std::memcpy(&word, raw, sizeof(word));
  return std::bit_cast<Stored>(W::native(word));
}

template <typename Stored>
void decode_plain(const std::byte* raw, float* out, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    out[i] = static_cast<float>(load<Stored>(raw + i * sizeof(Stored)));
  }
}

template <typename Stored>
void decode_scaled(const SampleFormat& format, const std::byte* raw, float* out,
                   std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    const auto stored = static_cast<double>(load<Stored>(raw + i * sizeof(Stored)));
    out[i] = static_cast<float>(stored * format.scale + format.zero);
  }
}

template <typename Stored>
void mark_blanks(std::int64_t blank, const std::byte* raw, float* out, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    if (static_cast<std::int64_t>(load<Stored>(raw + i * sizeof(Stored))) == blank) {
      out[i] = std::numeric_limits<float>::quiet_NaN();
    }
  }
}

template <typename Stored>
void decode_as(const SampleFormat& format, const std::byte* raw, float* out,
               std::size_t count) noexcept {
  if (format.scale == 1.0 && format.zero == 0.0) {
    decode_plain<Stored>(raw, out, count);
  } else {
    decode_scaled<Stored>(format, raw, out, count);
  }
  if constexpr (std::is_integral_v<Stored>) {
    if (format.blank) mark_blanks<Stored>(*format.blank, raw, out, count);
  }
}

/// The value of a scaling card; absent = `usual`.
double scaling(const Header& header, const char* keyword, double usual,
               const std::filesystem::path& path) {
  const Card* card = header.find(keyword);
  if (card == nullptr || card->value.empty()) return usual;
  const auto value = header.real(keyword);
  if (!value) {
    throw input_error(path, std::string(keyword) + " in its header is not a number",
                      "correct the header");
  }
  return *value;
}

}  // namespace

SampleFormat sample_format(const Header& header, int bitpix, const std::filesystem::path& path) {
  SampleFormat format;
  format.bitpix = bitpix;
  format.scale = scaling(header, "BSCALE", 1.0, path);
  format.zero = scaling(header, "BZERO", 0.0, path);
  if (format.scale == 0.0) {
    throw input_error(path, "BSCALE in its header is zero", "correct the header");
  }
  if (bitpix > 0) format.blank = header.integer("BLANK");
  return format;
}

void decode_samples(const SampleFormat& format, const std::byte* raw, float* out,
                    std::size_t count) noexcept {
  if (format.codes16()) {
    decode16(reinterpret_cast<const std::uint8_t*>(raw), out, count,
             static_cast<std::int32_t>(format.zero));
    return;
  }
  if (format.bitpix == -32 && format.scale == 1.0 && format.zero == 0.0) {
    decode_floats(reinterpret_cast<const std::uint8_t*>(raw), out, count);
    return;
  }
  switch (format.bitpix) {
    case 8:
      return decode_as<std::uint8_t>(format, raw, out, count);
    case 16:
      return decode_as<std::int16_t>(format, raw, out, count);
    case 32:
      return decode_as<std::int32_t>(format, raw, out, count);
    case 64:
      return decode_as<std::int64_t>(format, raw, out, count);
    case -32:
      return decode_as<float>(format, raw, out, count);
    default:
      return decode_as<double>(format, raw, out, count);
  }
}

}  // namespace coldframe::fits::detail
