/// \file
/// What calibrated lights keep of their masters: the measure of a mismatch.
#pragma once

#include <span>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// residue = slope * pattern, with the slope's standard error.
struct PatternFit {
  double slope = 0.0;
  double error = 0.0;
  std::size_t points = 0;
  /// Beyond `least` and five errors.
  [[nodiscard]] bool significant(double least) const noexcept;
};

/// Deviations of hot pixels from their neighbours: in the dark and in (light - dark).
struct HotPixelPairs {
  std::vector<float> dark;
  std::vector<float> residue;
};

/// Adds the hot pixels of a band: those whose dark stands out by more than `least_adu`, while the
/// raw light is below `saturation_adu` and no star is next to them.
void collect_hot_pixels(PlaneView<const float> light, PlaneView<const float> dark, CfaPattern cfa,
                        double least_adu, double saturation_adu, HotPixelPairs& pairs);

/// Share of the dark's pattern left in the lights (0: it fits, 0.2: dark too weak by 20%): median
/// of residue / dark weighted by the dark.
[[nodiscard]] PatternFit hot_pixel_residue(const HotPixelPairs& pairs);

/// Value of a map at a place of the frame, and of a pattern there.
struct ShapePoint {
  double x = 0.0, y = 0.0;  ///< -1 .. 1 over the frame
  double value = 0.0;
  double pattern = 0.0;
};

/// value = level + plane(x, y) + slope * pattern by least squares with outliers left out (objects).
/// The error is the larger of the formal one and that of leaving out each of nine regions in turn.
[[nodiscard]] PatternFit fit_shape(std::span<const ShapePoint> points, bool with_plane);

}  // namespace coldframe::sensor
