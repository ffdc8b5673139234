// The ones'-complement checksum of FITS (Standard 4.0, appendix J; Seaman, Pence
// & Rots, "FITS Checksum Proposal").
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>

namespace coldframe::fits::detail {

/// 32-bit ones'-complement sum of big-endian words.
class OnesSum {
 public:
  OnesSum() = default;
  explicit OnesSum(std::uint32_t start) noexcept : sum_(start) {}
  /// The length must be a multiple of 4.
  void add(std::span<const std::byte> bytes) noexcept;
  /// Adds a part's sum of words (below 2^63) that was taken as if the part began with a word. In
  /// truth it begins `offset` bytes after the start of the data; its last word is filled with
  /// zeros.
  void add_words(std::uint64_t sum, std::uint64_t offset) noexcept;
  [[nodiscard]] std::uint32_t value() const noexcept { return sum_; }

 private:
  std::uint32_t sum_ = 0;
};

/// The 16 characters that bring a unit with this sum (CHECKSUM being all '0') to minus zero.
[[nodiscard]] std::string encode_checksum(std::uint32_t sum);

}  // namespace coldframe::fits::detail
