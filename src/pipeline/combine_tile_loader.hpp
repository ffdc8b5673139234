// Making one sub's samples of one tile, and its noise coefficients there.
#pragma once

#include "coldframe/pipeline/combine_pass.hpp"

namespace coldframe::pipeline {

/// Writes the samples of `sub` on `tile`: one value and one mask view per plane.
void load_sub_tile(const CombineSub& sub, const CombineSettings& settings, const Rect& tile,
                   std::span<const PlaneView<float>> values,
                   std::span<const PlaneView<std::uint8_t>> masks);

/// Noise coefficients of `sub` in plane `plane` for all blocks of `tile`, in row
/// order. `gain` is the variance gain of resampling, < 0: find it per block.
void fill_coefficients(const CombineSub& sub, const CombineSettings& settings, const Rect& tile,
                       int plane, double gain, std::span<stack::BlockCoefficients> out);

/// True when a place of the sub lies on its sensor.
[[nodiscard]] bool lies_in_frame(const ChannelSky& sky, Point in_sub) noexcept;

/// True when the sub's sub-pixel phase is (nearly) the same over a whole block,
/// so that the kernel's variance gain can be taken at block centres.
[[nodiscard]] bool phase_is_smooth(const Transform& transform) noexcept;

}  // namespace coldframe::pipeline
