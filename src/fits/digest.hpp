// A fast 64-bit digest for cache keys; no protection against malice.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

namespace coldframe::fits::detail {

/// Four lanes take the little-endian 8-byte words w in turn, h <- rotl((h xor w) * P, 29),
/// the last word padded with zeros; then the lanes and the length go through one more lane
/// and two xor-shift-multiplies. Start (lane number added) and P are those of FNV-1a
/// (Fowler, Noll & Vo), which takes bytes. Four lanes, since one waits for its multiplier.
class Digest {
 public:
  /// All parts but the last must be multiples of 32 bytes long.
  void add(std::span<const std::byte> bytes) noexcept;
  [[nodiscard]] std::uint64_t value() const noexcept;

 private:
  static std::uint64_t mixed(std::uint64_t lane, std::uint64_t word) noexcept;
  static constexpr std::uint64_t prime = 0x100000001b3U;
  static constexpr std::uint64_t start = 0xcbf29ce484222325U;
  std::array<std::uint64_t, 4> lanes_{start, start + 1, start + 2, start + 3};
  std::uint64_t length_ = 0;
};

}  // namespace coldframe::fits::detail
