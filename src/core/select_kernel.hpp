/// \file
/// Order statistics of short lists of floats.
///
/// The scalar version defines the result; the vector versions give the same value.
#pragma once

#include <cstddef>
#include <span>

namespace coldframe {

/// Defines `kth_smallest` of statistics.hpp.
[[nodiscard]] float kth_smallest_scalar(const float* values, std::size_t count,
                                        std::size_t k) noexcept;

/// The value in order before `kth`, which is `kth_smallest(values, k)` with k > 0.
[[nodiscard]] float value_before(std::span<const float> values, float kth, std::size_t k) noexcept;

}  // namespace coldframe
