// A fast 64-bit digest for cache keys; no protection against malice.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

namespace coldframe::fits::detail {

/// h <- rotl((h xor w) * P, 29) over the little-endian 8-byte words w, the last
/// one padded with zeros; the length and two xor-shift-multiplies finish it.
/// Start and P are those of FNV-1a (Fowler, Noll & Vo), which takes bytes.
class Digest {
 public:
  /// All parts but the last must be multiples of 8 bytes long.
  void add(std::span<const std::byte> bytes) noexcept;
  [[nodiscard]] std::uint64_t value() const noexcept;

 private:
  void mix(std::uint64_t word) noexcept;
  static constexpr std::uint64_t prime = 0x100000001b3U;
  std::uint64_t value_ = 0xcbf29ce484222325U;
  std::uint64_t length_ = 0;
};

}  // namespace coldframe::fits::detail
