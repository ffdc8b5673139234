/// \file
/// Which lanes may hold a sample that the Winsorised rule cuts.
///
/// Algorithm A (see rule_winsorised.hpp) in single precision, all lanes at once, from mean and
/// standard deviation instead of median and MAD, so that no lane need be sorted. The fixed point is
/// the same unless the samples fall into groups (then there may be several; Huber 1981, Robust
/// Statistics, 6.4), which shows in a scale far above the predicted noise. A lane whose scale is
/// at most 1.5 times the predicted noise and whose samples lie inside the limits by 5% more than
/// needed holds none that the rule cuts.
///
/// Most lanes need no iteration: a pass of the algorithm maps a scale to another that grows with
/// it, so from a scale that grows all later ones lie above. The scale tried is the one at which
/// the outermost samples would just stay inside the limits by the same 5%; a first pass with it
/// finds the centre, a second one decides. A Winsorised variance
/// is never above the plain one, so the plain one serves for the comparison with the noise.
///
/// The others, lanes of fewer than `screen_least` samples
/// and all lanes without a noise model are left to the rule.
#pragma once

#include <cstdint>

#include "segment.hpp"

namespace coldframe::stack::detail {

struct WinsorisedLimits {
  float kappa_low = 4.0F;
  float kappa_high = 4.0F;
  /// Predicted variance of a sample at level v: constant + slope * max(v - pedestal, 0).
  float constant = 0.0F;
  float slope = 0.0F;
  float pedestal = 0.0F;
};

inline constexpr float screen_margin = 0.95F;
inline constexpr float screen_settled = 2e-3F;  ///< relative change of the scale
/// Growth that the scale tried must show, and the largest move of the centre while it does, in
/// units of that scale: the algorithm's own centre is known to about so much.
inline constexpr float screen_growth = 1.03F;
inline constexpr float screen_shift = 0.1F;
inline constexpr int screen_passes = 40;
inline constexpr float screen_least = 12.0F;
inline constexpr float screen_excess = 2.25F;  ///< of the variance

/// Bit l is set when lane l must be judged by the rule. With the best instruction set of this
/// machine; the bits are those of `plain`.
[[nodiscard]] std::uint32_t screen_winsorised(const Segment& segment,
                                              const WinsorisedLimits& limits) noexcept;

namespace plain {
[[nodiscard]] std::uint32_t screen_winsorised(const Segment& segment,
                                              const WinsorisedLimits& limits) noexcept;
}

}  // namespace coldframe::stack::detail
