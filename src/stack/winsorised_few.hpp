/// \file
/// Which lanes of few samples may hold one that the Winsorised rule cuts.
///
/// Few samples can have several fixed points, so this runs the rule's own algorithm from its own
/// start (median and MAD, see rule_winsorised.hpp), in single precision and all lanes at once. A
/// lane that settles and whose samples lie inside the limits by 1% more than needed holds none that
/// the rule cuts; the difference of single to double precision is a thousand times smaller. All
/// others, those without a scale or with a sample missing too, are left to the rule.
#pragma once

#include <cstdint>
#include <span>

#include "segment.hpp"

namespace coldframe::stack::detail {

struct FewSamples {
  std::span<const float> sorted;     ///< lanes as `sort_lanes` leaves them: not usable = +infinity
  std::span<const float> distances;  ///< sorted distances from the median of the lane
  std::size_t subs = 0;              ///< at least 3
  float kappa_low = 4.0F;
  float kappa_high = 4.0F;
};

inline constexpr float few_margin = 0.99F;
inline constexpr float few_settled = 1e-5F;
inline constexpr int few_passes = 50;

/// Middle value of each lane; of an even number the mean of the two.
void lane_medians(std::span<const float> sorted, std::size_t subs,
                  PerLane<float>& medians) noexcept;

/// Bit l is set when lane l must be judged by the rule. With the best instruction set of this
/// machine; the bits are those of `plain`.
[[nodiscard]] std::uint32_t suspects_of_few(const FewSamples& samples) noexcept;

namespace plain {
[[nodiscard]] std::uint32_t suspects_of_few(const FewSamples& samples) noexcept;
}

}  // namespace coldframe::stack::detail
