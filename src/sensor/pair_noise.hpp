/// \file
/// Noise of single frames from the differences of pairs.
#pragma once

#include <span>
#include <vector>

#include "sensor/frame_samples.hpp"

namespace coldframe::sensor {

/// One pixel in both frames of a pair.
struct PairSample {
  float a;
  float b;
};

/// Flats, each divided by its level (ADU): bins over the range of levels in the field.
[[nodiscard]] PairNoise flat_pair_noise(const std::vector<PairSample>& samples, double level_a,
                                        double level_b);

/// Bias or dark frames, ADU: the bulk as one bin, hot pixels one by one.
[[nodiscard]] PairNoise dark_pair_noise(const std::vector<PairSample>& samples);

}  // namespace coldframe::sensor
