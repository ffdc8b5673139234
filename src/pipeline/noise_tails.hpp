// Noise whose wings are wider than a Gaussian's.
#pragma once

#include "coldframe/core/parallel.hpp"
#include "coldframe/pipeline/measure_pass.hpp"

namespace coldframe::pipeline {

/// Standard deviation of the samples that the default rejection keeps (4 of it on either side)
/// over the mesh's noise, which comes from the core of their distribution. Measured below the sky,
/// where no star adds light; >= 1, and exactly 1 for (nearly) Gaussian noise. `image` and
/// `mask` are the frame; `sky` says where its channel's samples lie.
[[nodiscard]] double tail_factor(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                                 const ChannelSky& sky, Threads threads);

/// Brings the noise of the mesh to what `tail_factor` finds.
void count_tails(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, ChannelSky& sky,
                 Threads threads);

}  // namespace coldframe::pipeline
