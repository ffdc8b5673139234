/// \file
/// Gain and read noise from the slope of noise variance against signal (photon transfer: EMVA 1288
/// R4.0, "responsivity and gain" and "dark noise"; Janesick 2007), dark variance removed, with
/// standard errors.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "coldframe/sensor/pair_blocks.hpp"

namespace coldframe::sensor {

/// Temporal noise without light, of one site.
struct DarkNoise {
  double variance_adu2 = 0.0;  ///< rounding to codes included
  double error_adu2 = 0.0;
  double level_adu = 0.0;
  double fixed_variance_adu2 = 0.0;
  double correlation_rows = 0.0;  ///< of neighbours along rows
};
/// Mean over pairs of dark frames; one entry per site.
[[nodiscard]] std::vector<DarkNoise> dark_noise(std::span<const PairBlocks> pairs);

enum class PointUse { fitted, too_bright, bent, too_dim };

/// One point of the mean-variance plot: blocks of one pair and site that have about one level.
struct TransferPoint {
  int pair = 0;  ///< index into the list of pairs
  int site = 0;
  double signal_adu = 0.0;     ///< above dark
  double variance_adu2 = 0.0;  ///< dark variance removed
  double dark_adu2 = 0.0;      ///< what was removed
  double error_adu2 = 0.0;     ///< of the variance
  double pixels = 0.0;
  double fixed_variance_adu2 = 0.0;  ///< the dark frames' removed
  double neighbours = 0.0;  ///< sum of the correlations with the 8 neighbours; 0 for white noise
  double neighbours_error = 0.0;
  PointUse use = PointUse::fitted;
};
/// Points of one pair; blocks with saturated pixels are no part of any. `index` is the pair's.
[[nodiscard]] std::vector<TransferPoint> transfer_points(const PairBlocks& flat,
                                                         std::span<const DarkNoise> dark,
                                                         int index);

struct TransferFit {
  bool usable = false;
  double gain_e_per_adu = 0.0;
  double gain_error = 0.0;
  double lowest_adu = 0.0, highest_adu = 0.0;  ///< signal of the points in the fit
  int points = 0;
  double chi2_per_freedom = 0.0;   ///< 0 with one point
  double largest_departure = 0.0;  ///< of a point in the fit from the line, relative
  /// Share by which neighbouring pixels' common noise makes the gain look larger than it is;
  /// 0 where none is seen. Not taken off.
  double correlation_excess = 0.0;
  double correlation_error = 0.0;
  std::string note;  ///< why not usable
};
/// Line through zero (dark variance is off already), weights from the fitted model itself. Points
/// above `highest_adu` (70% of saturation in EMVA 1288) are left out unless nothing else is there,
/// bent ones (full wells swallow noise) as well. Marks the points.
[[nodiscard]] TransferFit fit_transfer(std::span<TransferPoint> points, double highest_adu,
                                       int site = -1);

struct ReadNoise {
  double adu = 0.0;
  double electrons = 0.0;
  double error_e = 0.0;
  /// Hidden by the code step: `adu` and `electrons` are upper bounds (0.40 steps), no measurement.
  bool is_bound = false;
  double error_adu = 0.0;
};
/// Without the variance step^2/12 of rounding; below 0.24 step^2 only a bound (EMVA 1288 R4.0).
[[nodiscard]] ReadNoise read_noise(std::span<const DarkNoise> dark, double code_step,
                                   const TransferFit& fit, int site = -1);

/// Fixed pattern at scales below 8 pixels of a site, hot and dead pixels left out.
struct FixedPattern {
  std::optional<double> prnu;  ///< spread of pixel response, relative, at the level nearest half
                               ///< of the range
  double prnu_signal_adu = 0.0;
  double dsnu_adu = 0.0;  ///< spread of the dark level
};
[[nodiscard]] FixedPattern fixed_pattern(std::span<const TransferPoint> points,
                                         std::span<const DarkNoise> dark, double half_adu);

}  // namespace coldframe::sensor
