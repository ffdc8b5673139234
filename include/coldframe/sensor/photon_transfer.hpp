/// \file
/// Gain and read noise from frames (EMVA 1288 R4.0; Janesick 2007).
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// Mean and temporal variance of a pair of frames of equal exposure,
/// variance = mean((a-b)^2)/2 - (mean a - mean b)^2/2, over the pixels that are finite in both.
///
/// Left out are hot pixels and stars (pair mean beyond 8 robust sigma of the window) and hits
/// (difference beyond 6 sigma). The mean difference is taken in blocks of 64 pixels, so a lamp or
/// sky that changes a little between the frames does not count as noise. Give one colour of a
/// mosaic at a time (see `one_colour`) or all pixels.
struct PairStatistics {
  double mean_adu = 0.0;
  double variance_adu2 = 0.0;
  std::size_t pixels = 0;
  double code_step = 1.0;  ///< distance of neighbouring codes; 0 = not integers
};
[[nodiscard]] PairStatistics pair_statistics(PlaneView<const float> a, PlaneView<const float> b);

/// Every second pixel of every second row, from (offset_x, offset_y): one colour of a mosaic.
[[nodiscard]] Grid<float> one_colour(PlaneView<const float> mosaic, int offset_x, int offset_y);

struct GainEstimate {
  bool usable = false;
  double gain_e_per_adu = 0.0;
  double gain_error = 0.0;
  double read_noise_e = 0.0;
  double read_noise_error = 0.0;
  /// The read noise is hidden by the code step: `read_noise_e` is an upper bound, not a
  /// measurement.
  bool read_noise_is_bound = false;
  std::string note;  ///< why not usable, or what limits it
};
/// From one dark-level pair (bias or short dark) and one flat pair, both ADU:
/// 1/gain = (var_flat - var_dark)/(mean_flat - mean_dark). Read noise without the variance
/// step^2/12 of rounding to codes; below 0.24 step^2 only the bound 0.40 step is known (EMVA 1288).
[[nodiscard]] GainEstimate estimate_gain(const PairStatistics& dark, const PairStatistics& flat);

/// Code step (1, 4, 16...; 0 when the values are not integers) and highest code of raw frames: data
/// shifted left saturate below 65,535.
struct CodeSummary {
  double step = 1.0;
  double highest = 0.0;
  std::size_t at_highest = 0;  ///< pixels at the highest code
};
[[nodiscard]] CodeSummary summarise_codes(PlaneView<const float> raw);

}  // namespace coldframe::sensor
