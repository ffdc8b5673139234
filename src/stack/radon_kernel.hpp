/// \file
/// The two inner loops of the fast Radon transform: `plain` defines the result, the versions in
/// the namespace above give the same bits with whatever registers the machine has.
#pragma once

#include <array>
#include <cstddef>

namespace coldframe::stack::detail {

/// Highest sum of 1, 2, 4 and 8 adjacent values; never less than 0.
using HighestSums = std::array<float, 4>;

namespace plain {
/// out[i] = a[i] + b[i]
void add(const float* a, const float* b, std::size_t count, float* out) noexcept;
/// `fours` has room for `count` values; `count` >= 8.
[[nodiscard]] HighestSums highest_sums(const float* values, std::size_t count,
                                       float* fours) noexcept;
}  // namespace plain

void add(const float* a, const float* b, std::size_t count, float* out) noexcept;
[[nodiscard]] HighestSums highest_sums(const float* values, std::size_t count,
                                       float* fours) noexcept;

}  // namespace coldframe::stack::detail
