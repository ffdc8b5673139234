/// \file
/// Which lanes of a sorted segment may hold a sample that one pass of kappa-sigma cuts.
///
/// Median and median absolute deviation of all lanes at once, in single precision, with a margin
/// for what that rounds; a clear bit is a proof that the rule keeps every sample. The deviations
/// to both sides of the median are two ascending lists a and b; the k-th smallest of both together
/// is the least of max(a_i, b_(k-i)) over i, which needs no branches.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

namespace coldframe::stack::detail {

struct OrderScreen {
  float low = 4.0F;  ///< limits in units of the median absolute deviation
  float high = 4.0F;
};

/// `sorted`: samples * lanes, each lane ascending and full; at least 3 samples.
[[nodiscard]] std::uint32_t screen_kappa_sigma(std::span<const float> sorted, std::size_t samples,
                                               const OrderScreen& limits) noexcept;

namespace plain {
[[nodiscard]] std::uint32_t screen_kappa_sigma(std::span<const float> sorted, std::size_t samples,
                                               const OrderScreen& limits) noexcept;
}

}  // namespace coldframe::stack::detail
