// The second look at a registration: one distortion for all subs of an optical set-up.
#pragma once

#include <span>
#include <vector>

#include "coldframe/align/distortion.hpp"
#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/pipeline/measure_pass.hpp"

namespace coldframe::session {

/// A sub with its first match, which is bettered in place.
struct RegisteredSub {
  const FrameInfo* info = nullptr;
  const pipeline::SubMeasurement* measured = nullptr;
  align::MatchResult* match = nullptr;
};

/// Sorts the matched subs by set-up (camera, optics, frame, scale seen in the match), fits their
/// distortion and, where it predicts better, matches every sub again with it. A sub keeps its first
/// match when the second has fewer pairs or larger residuals; a sub whose own stars ask for a model
/// that bends gets one.
[[nodiscard]] align::DistortionFit refine_registration(std::span<const RegisteredSub> subs,
                                                       const RegisteredSub& reference,
                                                       Threads threads);

/// Residual vectors told of one sub at most.
inline constexpr std::size_t most_residual_vectors = 24;

}  // namespace coldframe::session
