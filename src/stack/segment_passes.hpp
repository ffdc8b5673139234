/// \file
/// The passes over a segment, written for one lane after the other: `plain` defines the
/// result, and the versions of combine_kernel.hpp give the same bits. Each adds in the order
/// of the subs; a sample left out adds an exact zero.
#pragma once

#include "segment.hpp"

namespace coldframe::stack::detail {

/// What the screening of the noise-model rule needs to know.
struct ScreenModel {
  float kappa_low2 = 16.0F;  ///< squared limits
  float kappa_high2 = 16.0F;
  float seeing_share = 0.0F;
  float sky_level = 0.0F;
  float mean_constant = 0.0F;  ///< averages over the block's subs
  float mean_slope = 0.0F;
  float mean_pedestal = 0.0F;
};

namespace plain {

/// Copies one sub's row piece; `mask` may be null. Unused lanes must have been set before.
void gather_row(const float* values, const std::uint8_t* mask, std::size_t count,
                float* out) noexcept;

/// Usable samples per lane.
[[nodiscard]] PerLane<std::uint32_t> count_lanes(const Segment& segment) noexcept;

/// Bit l is set when lane l may hold a sample that the noise-model rule cuts; a clear
/// bit is a proof that it holds none. The proof: fewer than half of the samples lie below
/// m - d and fewer than half above m + d, so the median lies between, whatever
/// m and d are; and no sample is out of limits for any centre in between.
[[nodiscard]] std::uint32_t screen_noise_model(const Segment& segment,
                                               const ScreenModel& model) noexcept;

/// Sorts every lane (not usable = +infinity, at the end). Batcher's odd-even merge exchange
/// (Knuth, The Art of Computer Programming 3, algorithm 5.2.2M).
void sort_lanes(std::size_t subs, std::span<float> values) noexcept;

[[nodiscard]] LaneSums sum_lanes(const Segment& segment, const LaneLimits& limits) noexcept;

[[nodiscard]] LaneSpread spread_lanes(const Segment& segment, const LaneLimits& limits,
                                      const PerLane<float>& mean, bool scatter) noexcept;

/// Counts what lies outside the limits.
void count_cuts(const Segment& segment, const LaneLimits& limits, Cuts& cuts) noexcept;

}  // namespace plain
}  // namespace coldframe::stack::detail
