/// \file
/// Order statistics of short lists of floats.
///
/// The scalar version defines the result; the vector versions give the same value.
#pragma once

#include <cstddef>

namespace coldframe {

/// The k-th smallest (from 0) of `count` finite values; k < count. Bisection on the values' own
/// order as integers: what is compared is counted, never moved.
[[nodiscard]] float kth_smallest(const float* values, std::size_t count, std::size_t k) noexcept;
[[nodiscard]] float kth_smallest_scalar(const float* values, std::size_t count,
                                        std::size_t k) noexcept;

}  // namespace coldframe
