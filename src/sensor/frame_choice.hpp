/// \file
/// Which raw frames go into a master, and why the others do not.
#pragma once

#include <string>
#include <vector>

#include "coldframe/sensor/masters.hpp"
#include "sensor/frame_samples.hpp"

namespace coldframe::sensor {

struct FrameChoice {
  std::vector<int> used;  ///< indices
  std::vector<int> left_out;
  std::vector<MasterNote> notes;
};

/// `noise`: the model fitted to all pairs.
[[nodiscard]] FrameChoice choose_frames(const FrameSamples& samples, MasterKind kind,
                                        const NoiseModel& noise, double saturation_adu);

}  // namespace coldframe::sensor
