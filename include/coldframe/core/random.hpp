/// \file
/// Random numbers by index: any element of a stream can be had without the ones
/// before it, so results do not depend on threads or tiles.
///
/// Generator: Philox4x32-10 (Salmon, Moraes, Dror & Shaw 2011, SC'11).
#pragma once

#include <array>
#include <cstdint>

namespace coldframe {

/// The block cipher itself: 128-bit counter, 64-bit key -> 128 random bits.
[[nodiscard]] std::array<std::uint32_t, 4> philox4x32(std::array<std::uint32_t, 4> counter,
                                                      std::array<std::uint32_t, 2> key) noexcept;

/// A sequential reader of one stream; streams with different (seed, stream,
/// index) never overlap.
class RandomStream {
 public:
  /// `stream` names a purpose, `index` an element (pixel, star, frame).
  RandomStream(std::uint64_t seed, std::uint32_t stream, std::uint64_t index) noexcept;
  [[nodiscard]] std::uint32_t bits() noexcept;
  [[nodiscard]] double uniform() noexcept;  ///< [0, 1), 53 bits
  [[nodiscard]] double normal() noexcept;   ///< mean 0, sd 1 (Box & Muller 1958)

 private:
  std::array<std::uint32_t, 4> counter_{};
  std::array<std::uint32_t, 2> key_{};
  std::array<std::uint32_t, 4> block_{};
  unsigned used_ = 4;
  bool has_spare_ = false;
  double spare_ = 0.0;
};

}  // namespace coldframe
