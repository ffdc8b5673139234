/// \file
/// Gain and read noise from frames (EMVA 1288 R4.0; Janesick 2007).
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// Mean and temporal variance of a pair of frames of equal exposure:
/// variance = mean((a-b)^2)/2 - (mean a - mean b)^2/2 over the window, pixels in any mask and
/// outliers (robust) left out. One colour of a mosaic at a time (`step` 2 and offsets) or all pixels.
struct PairStatistics {
  double mean_adu = 0.0;
  double variance_adu2 = 0.0;
  std::size_t pixels = 0;
};
[[nodiscard]] PairStatistics pair_statistics(PlaneView<const float> a, PlaneView<const float> b);

struct GainEstimate {
  bool usable = false;
  double gain_e_per_adu = 0.0;
  double gain_error = 0.0;
  double read_noise_e = 0.0;
  double read_noise_error = 0.0;
  std::string note;  ///< why not usable, or what limits it
};
/// From one dark-level pair (bias or short dark) and one flat pair, both ADU:
/// 1/gain = (var_flat - var_dark)/(mean_flat - mean_dark).
[[nodiscard]] GainEstimate estimate_gain(const PairStatistics& dark, const PairStatistics& flat);

/// Code step (1, 4, 16...) and highest code of raw integer frames: data shifted left saturate below 65,535.
struct CodeSummary {
  double step = 1.0;
  double highest = 0.0;
  std::size_t at_highest = 0;  ///< pixels at the highest code
};
[[nodiscard]] CodeSummary summarise_codes(PlaneView<const float> raw);

}  // namespace coldframe::sensor
