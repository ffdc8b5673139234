/// \file
/// The passes of segment_passes.hpp in vectors of neighbouring pixels, with the best
/// instruction set of this machine. Each gives the same bits as its namesake in `plain`.
#pragma once

#include "segment_passes.hpp"

namespace coldframe::stack::detail {

void gather_row(const float* values, const std::uint8_t* mask, std::size_t count,
                float* out) noexcept;
[[nodiscard]] PerLane<std::uint32_t> count_lanes(const Segment& segment) noexcept;
[[nodiscard]] std::uint32_t screen_noise_model(const Segment& segment,
                                               const ScreenModel& model) noexcept;
void sort_lanes(std::size_t subs, std::span<float> values) noexcept;
[[nodiscard]] LaneSums sum_lanes(const Segment& segment, const LaneLimits& limits) noexcept;
[[nodiscard]] LaneSpread spread_lanes(const Segment& segment, const LaneLimits& limits,
                                      const PerLane<float>& mean, bool scatter) noexcept;

}  // namespace coldframe::stack::detail
