/// \file
/// What a few strips of each raw frame tell before the frames are combined: levels, shape over
/// the field, noise from differences of pairs.
#pragma once

#include <array>
#include <cstddef>
#include <span>
#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/pixel_source.hpp"

namespace coldframe::sensor {

/// Strips and columns of the grid on which a frame's shape is compared.
inline constexpr int shape_cells = 8;

struct FrameLevel {
  double level = 0.0;  ///< ADU: of the central cells (flats), of all (bias, dark)
  double saturated_share = 0.0;
  std::array<double, shape_cells * shape_cells> shape{};  ///< cell means, ADU
};

/// Temporal variance of one level bin of one pair, as a linear form a * x1 + b * x2 of the model
/// var = a + b * signal (see `NoiseModel`).
struct VarianceBin {
  double variance = 0.0;
  double x1 = 0.0;
  double x2 = 0.0;
  double pixels = 0.0;
};

/// What one pair of frames tells about the noise.
struct PairNoise {
  std::size_t first = 0;  ///< frames
  std::size_t second = 0;
  std::vector<VarianceBin> bins;
  /// Bias and dark: the few pixels far above the rest (hot pixels in both frames), of all
  /// pairs together enough to see noise grow with signal.
  struct Hot {
    float signal;
    float difference;
  };
  std::vector<Hot> hot;
};

struct FrameSamples {
  std::vector<FrameLevel> levels;  ///< one per frame
  std::vector<PairNoise> pairs;    ///< empty for a single frame
  double spatial_noise = 0.0;      ///< of the first frame, from differences along rows
};

/// `relative`: frames are divided by their level (flats); else the signal counts from the level.
/// Frames are read in non-overlapping pairs, each strip once.
[[nodiscard]] FrameSamples sample_frames(std::span<const PixelSource* const> frames,
                                         const PixelSource* subtract, double saturation_adu,
                                         bool relative, Threads threads);

/// Temporal variance of one pixel of one frame, ADU^2: a + b * signal.
struct NoiseModel {
  double a = 0.0;
  double b = 0.0;
};
/// Weighted least squares over pairs with a, b >= 0; b only where it is significant or
/// `photon_limited`.
[[nodiscard]] NoiseModel fit_noise(std::span<const PairNoise> pairs, bool photon_limited);

/// Mean of `values` without outliers, the four pixels of a 2 x 2 cell apart (so a mosaic's
/// colours do not widen each other's scale). NaN when nothing is finite.
[[nodiscard]] double cell_mean(PlaneView<const float> values);

}  // namespace coldframe::sensor
