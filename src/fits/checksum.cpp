#include "fits/checksum.hpp"

#include <algorithm>
#include <array>
#include <bit>

#include "fits/words_kernel.hpp"

namespace coldframe::fits::detail {

namespace {

/// The carries go round at the end.
std::uint32_t folded(std::uint64_t wide) noexcept {
  while (wide > 0xFFFFFFFFU) wide = (wide & 0xFFFFFFFFU) + (wide >> 32U);
  return static_cast<std::uint32_t>(wide);
}

}  // namespace

void OnesSum::add(std::span<const std::byte> bytes) noexcept {
  // 2^31 words of 2^32 at most fit the wide sum.
  constexpr std::size_t most = std::size_t{1} << 33U;
  while (!bytes.empty()) {
    const auto part = bytes.first(std::min(bytes.size(), most));
    add_words(sum_words(reinterpret_cast<const std::uint8_t*>(part.data()), part.size() / 4), 0);
    bytes = bytes.subspan(part.size());
  }
}

void OnesSum::add_words(std::uint64_t sum, std::uint64_t offset) noexcept {
  // A byte k places further to the right counts 256^k times less, which is a rotation here.
  const auto shift = static_cast<int>(8U * (offset % 4U));
  sum_ = folded(std::uint64_t{sum_} + std::rotr(folded(sum), shift));
}

namespace {

bool is_punctuation(int c) noexcept { return (c >= 0x3A && c <= 0x40) || (c >= 0x5B && c <= 0x60); }

}  // namespace

std::string encode_checksum(std::uint32_t sum) {
  const std::uint32_t complement = ~sum;
  std::array<int, 16> letters{};
  for (std::size_t byte = 0; byte < 4; ++byte) {
    const int value = static_cast<int>((complement >> (24U - 8U * byte)) & 0xFFU);
    std::array<int, 4> quarter{};
    quarter.fill(value / 4 + '0');
    quarter[0] += value % 4;
    // Opposite steps within a pair keep the sum while they leave the punctuation.
    for (bool again = true; again;) {
      again = false;
      for (std::size_t pair = 0; pair < 4; pair += 2) {
        if (is_punctuation(quarter[pair]) || is_punctuation(quarter[pair + 1])) {
          ++quarter[pair];
          --quarter[pair + 1];
          again = true;
        }
      }
    }
    for (std::size_t k = 0; k < 4; ++k) letters[4 * k + byte] = quarter[k];
  }
  std::string text(letters.size(), '0');
  for (std::size_t i = 0; i < letters.size();
       ++i) {  // one place to the right: the value starts in column 12
    text[(i + 1) % letters.size()] = static_cast<char>(letters[i]);
  }
  return text;
}

}  // namespace coldframe::fits::detail
