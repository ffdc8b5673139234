/// \file
/// The pixel pass of a master: bands of rows read from every frame and combined.
#pragma once

#include <span>
#include <vector>

#include "coldframe/sensor/masters.hpp"
#include "sensor/frame_samples.hpp"

namespace coldframe::sensor {

/// What the pass needs to know of the frames it combines.
struct CombinePlan {
  std::vector<const PixelSource*> frames;
  std::vector<double> levels;  ///< flats: divisors; empty for bias and dark
  const PixelSource* subtract = nullptr;
  double saturation_adu = 65535.0;
  NoiseModel noise;       ///< ADU
  double pedestal = 0.0;  ///< bias, dark: level from which signal counts
  stack::CombineOptions combine;
  std::size_t memory_bytes = 0;
};

/// Fills value, variance and mask of `master` (allocated by the caller).
void combine_frames(const CombinePlan& plan, Master& master, Threads threads, const Watch& watch);

}  // namespace coldframe::sensor
