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

/// Samples i at the frame's positions step * i + offset, onto the canvas; `full` is the frame's own
/// transform. Half-size pixels (see sensor::half_size_band): step 2, offset by plane.
[[nodiscard]] Transform lattice_transform(const Transform& full, double step, Point offset);

/// Noise of a sub's raw samples as its sky tells it.
[[nodiscard]] sensor::SampleNoise sample_noise(const CombineSub& sub);

/// True when a place of the sub lies on its sensor.
[[nodiscard]] bool lies_in_frame(const ChannelSky& sky, Point in_sub) noexcept;

/// True when the sub's sub-pixel phase is (nearly) the same over a whole block,
/// so that the kernel's variance gain can be taken at block centres.
[[nodiscard]] bool phase_is_smooth(const Transform& transform) noexcept;

}  // namespace coldframe::pipeline
