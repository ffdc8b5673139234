/// \file
/// The first look at every sub: read, calibrate, measure, keep a small preview; pixels are dropped.
#pragma once

#include <functional>
#include <vector>

#include "coldframe/pipeline/calibration.hpp"
#include "coldframe/stack/cosmic_rays.hpp"
#include "coldframe/stars/measure.hpp"

namespace coldframe::pipeline {

/// Sky of one colour of a mosaic, measured on its own samples. Mono: step 1.
struct ChannelSky {
  stars::SkyMesh mesh;
  int step = 1;  ///< sensor pixels per mesh pixel
  int offset_x = 0;
  int offset_y = 0;
  [[nodiscard]] double level_at(double x, double y) const noexcept;
  [[nodiscard]] double noise_at(double x, double y) const noexcept;
};

/// Everything that later steps need of a sub.
struct SubMeasurement {
  Size frame;
  stars::FrameQuality quality;
  StarList stars;
  StarList others;  ///< what is no star, when asked for
  /// One per plane of the result. The noise counts wings wider than a Gaussian's: it is
  /// the standard deviation of what the default rejection keeps.
  std::vector<ChannelSky> sky;
  Grid<float> preview;  ///< about its median, in units of its own noise per preview pixel
  Mask preview_mask;
  int preview_bin = 1;
  sensor::LineOffsets lines;  ///< taken out before all that is above was measured
  bool searched_particles = false;
  std::vector<stack::HitPixel> particles;  ///< found in this frame alone
  std::int64_t saturated = 0;
  std::int64_t sharp = 0;  ///< detections narrower than a star
};

struct MeasureSettings {
  stars::MeasureOptions stars;
  int preview_px = 1000;  ///< longest side of the preview
  /// What only combining needs: the preview, and a mono sky's wings wider than a Gaussian's.
  bool for_combining = true;
  bool keep_others = false;  ///< also what is no star
  /// Search for particles: with few subs no rejection rule can tell them by comparison.
  bool find_particles = false;
};

[[nodiscard]] SubMeasurement measure_sub(const PixelSource& raw, const Calibration& calibration,
                                         const MeasureSettings& settings, Threads threads);

}  // namespace coldframe::pipeline
