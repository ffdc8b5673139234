#include "coldframe/core/random.hpp"

#include <cmath>
#include <numbers>

namespace coldframe {

std::array<std::uint32_t, 4> philox4x32(std::array<std::uint32_t, 4> counter,
                                        std::array<std::uint32_t, 2> key) noexcept {
  // Multipliers and key increments of Salmon et al. 2011, section 3.3.
  constexpr std::uint64_t multiplier0 = 0xD2511F53U;
  constexpr std::uint64_t multiplier1 = 0xCD9E8D57U;
  constexpr std::uint32_t increment0 = 0x9E3779B9U;
  constexpr std::uint32_t increment1 = 0xBB67AE85U;
  constexpr int rounds = 10;
  for (int round = 0; round < rounds; ++round) {
    const std::uint64_t p0 = multiplier0 * counter[0];
    const std::uint64_t p1 = multiplier1 * counter[2];
    counter = {static_cast<std::uint32_t>(p1 >> 32U) ^ counter[1] ^ key[0],
               static_cast<std::uint32_t>(p1),
               static_cast<std::uint32_t>(p0 >> 32U) ^ counter[3] ^ key[1],
               static_cast<std::uint32_t>(p0)};
    key[0] += increment0;
    key[1] += increment1;
  }
  return counter;
}

// The counter's first word numbers the blocks of one stream; the other three name
// the stream, so that streams cannot meet within 2^34 draws.
RandomStream::RandomStream(std::uint64_t seed, std::uint32_t stream, std::uint64_t index) noexcept
    : counter_{0, stream, static_cast<std::uint32_t>(index),
               static_cast<std::uint32_t>(index >> 32U)},
      key_{static_cast<std::uint32_t>(seed), static_cast<std::uint32_t>(seed >> 32U)} {}

std::uint32_t RandomStream::bits() noexcept {
  if (used_ == block_.size()) {
    block_ = philox4x32(counter_, key_);
    ++counter_[0];
    used_ = 0;
  }
  return block_[used_++];
}

double RandomStream::uniform() noexcept {
  const std::uint64_t high = bits() >> 5U;  // 27 bits
  const std::uint64_t low = bits() >> 6U;   // 26 bits
  return static_cast<double>((high << 26U) | low) * 0x1.0p-53;
}

double RandomStream::normal() noexcept {
  if (has_spare_) {
    has_spare_ = false;
    return spare_;
  }
  const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));  // argument in (0, 1]
  const double angle = 2.0 * std::numbers::pi * uniform();
  spare_ = radius * std::sin(angle);
  has_spare_ = true;
  return radius * std::cos(angle);
}

}  // namespace coldframe
