/// \file
/// The second look: each output tile once. For every kept sub the needed source region is
/// read, calibrated, (demosaiced,) resampled, normalised and masked; then samples are rejected and
/// combined.
#pragma once

#include <array>
#include <functional>
#include <memory>
#include <span>
#include <vector>

#include "coldframe/align/resample.hpp"
#include "coldframe/core/interrupt.hpp"
#include "coldframe/pipeline/depth.hpp"
#include "coldframe/pipeline/measure_pass.hpp"
#include "coldframe/pipeline/memory_plan.hpp"
#include "coldframe/stack/combine.hpp"
#include "coldframe/stack/normalise.hpp"
#include "coldframe/stack/trails.hpp"

namespace coldframe::pipeline {

/// One sub as the combine pass sees it.
struct CombineSub {
  std::function<std::shared_ptr<const PixelSource>()> open;  ///< called from worker threads
  const Calibration* calibration = nullptr;
  Transform transform;                      ///< sub -> canvas
  double scale = 1.0;                       ///< canvas value = scale * value + surface
  std::vector<stack::SkySurface> surfaces;  ///< one per plane; empty: nothing is added
  std::vector<double> weights;              ///< one per plane
  double exposure_s = 0.0;
  const std::vector<ChannelSky>* sky = nullptr;  ///< measured noise, one per plane
  std::vector<stack::Trail> trails;              ///< canvas coordinates
  const sensor::LineOffsets* lines = nullptr;    ///< line noise found when measuring; null: none
  /// Where each plane of a picture in planes was sampled, from the pixel's centre.
  std::array<Point, 3> plane_offset{};
  std::span<const stack::HitPixel> particles;  ///< found when measuring
  /// Sub pixels about a saturated one that are left to shorter exposures, which see the star whole:
  /// a core from subs of one seeing and wings from others would not add up to its light. 0: none
  /// are.
  int saturation_reach_px = 0;
};

struct CombineSettings {
  Size canvas;
  int planes = 1;
  align::ResampleOptions resample;
  stack::CombineOptions combine;
  std::vector<double> sky_level;  ///< per plane, of the output scale
  sensor::Demosaic demosaic = sensor::Demosaic::own_lattice;
  bool identity = false;  ///< subs lie on the canvas already: copy, do not resample
};

/// A finished strip of one plane.
struct ResultStrip {
  int plane = 0;
  int y0 = 0;
  PlaneView<const float> mean, uncertainty, weight;
  PlaneView<const std::uint16_t> clipped_low, clipped_high;
  PlaneView<const std::uint8_t> flags;
};

/// Sides of the square apertures for which the factors below are given, in pixels.
inline constexpr std::array<int, 4> aperture_sides{4, 8, 16, 32};
inline constexpr std::size_t usual_aperture = 2;  ///< index of the one NOISCORR stands for

/// Factors by which the error of a sum over an aperture exceeds the quadrature sum of UNCERT.
using ApertureFactors = std::array<double, aperture_sides.size()>;

/// What a combination made of its subs; of one plane (green of three).
struct DepthFigures {
  DepthGrowth growth;
  /// Signal to noise over that of the ideal weighted mean of everything that the subs show, as
  /// rejection, masks and weights left it; 0: unknown.
  double snr_of_ideal = 0.0;
  std::vector<double> contribution;  ///< per sub: its weight as far as it was used; sum 1
  /// Variance of an 8 x 8 block's mean that subs share through their masters.
  double common_variance = 0.0;
};

struct CombineTotals {
  std::vector<std::uint64_t> clipped;              ///< per sub: low, high
  std::vector<std::uint64_t> samples;              ///< per sub
  std::vector<ApertureFactors> noise_correlation;  ///< one per plane
  DepthFigures depth;
};

[[nodiscard]] CombineTotals combine_subs(std::span<const CombineSub> subs,
                                         const CombineSettings& settings, const MemoryPlan& plan,
                                         Threads threads, const Watch& watch,
                                         const std::function<void(const ResultStrip&)>& write);

/// Variance of a resampled (and demosaiced) pixel over that of a raw one of the
/// same plane, mean over sub-pixel phases; and the same for the sums over apertures, per pixel.
/// The area ratio of sub and canvas pixels is not in it.
/// Found once by sending white noise through the real code. `noise`: sd of raw samples of each
/// colour; `step`: sub pixels per canvas pixel along an axis.
struct NoiseResponse {
  double pixel[3] = {1, 1, 1};
  ApertureFactors aperture[3] = {{1, 1, 1, 1}, {1, 1, 1, 1}, {1, 1, 1, 1}};
};
[[nodiscard]] NoiseResponse noise_response(CfaPattern cfa, sensor::Demosaic demosaic,
                                           const align::ResampleOptions& resample,
                                           const std::array<double, 3>& noise = {1, 1, 1},
                                           double step = 1.0);

}  // namespace coldframe::pipeline
