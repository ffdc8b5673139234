/// \file
/// What a sub shows that its model does not.
#pragma once

#include <span>

#include "trail_judge.hpp"
#include "trail_model.hpp"

namespace coldframe::pipeline::detail {

/// The sub against the model on the sub's own grid: its noise stays white, whatever the transform.
struct Compared {
  TrailResidual residual;
  Grid<float> noise;  ///< relative, of one pixel
};

[[nodiscard]] Compared compare(const SubMeasurement& sub, const Transform& transform,
                               const TrailModel& model, const SubModel& others,
                               const PreviewGrid& canvas);

/// Level taken out beside the trails known so far, then in units of the noise. What only the
/// `judging` of trails asks for, the light of the model, may be left empty.
[[nodiscard]] TrailResidual to_residual(const Compared& compared,
                                        std::span<const stack::Trail> known, bool judging);

}  // namespace coldframe::pipeline::detail
