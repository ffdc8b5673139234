// Noise that several subs share because the same masters calibrated them.
//
// A sub's own measured noise holds the masters' noise once. Between two subs it correlates where
// both read the same sensor samples: always without dithers, by accident with them. So the variance
// of the combination gains, beyond the sum over subs,
//   2 sum_{i<j} w_i w_j cov_ij / (sum w)^2
// with the covariance over the samples that both resampling kernels touch.
#pragma once

#include <array>
#include <cstddef>
#include <span>
#include <vector>

#include "coldframe/pipeline/combine_pass.hpp"
#include "sensor_footprint.hpp"

namespace coldframe::pipeline {

/// Variance of the result's pixel at the value c: constant + c (linear + c quadratic), not
/// negative.
struct CommonVariance {
  double constant = 0.0;
  double linear = 0.0;
  double quadratic = 0.0;
  [[nodiscard]] double at(double value) const noexcept {
    const double v = constant + value * (linear + value * quadratic);
    return v > 0.0 ? v : 0.0;
  }
};

/// One sub at one place of the canvas.
struct SubAtPlace {
  std::size_t sub = 0;
  Point sensor;       ///< its position there
  double step = 1.0;  ///< sensor pixels per canvas pixel
  double weight = 0.0;
  double subtract = 0.0;  ///< standard deviation of what was subtracted, on the output scale
  double flat = 0.0;      ///< relative standard deviation of the flat
  double added = 0.0;     ///< what sky matching adds
  double sky = 0.0;       ///< the sub's sky on the output scale, `added` included
  double response = 1.0;  ///< variance of an aperture's sum against unresampled noise, in truth
};

/// Scratch of one thread.
struct CommonScratch {
  SensorSamples subtract, flat, flat_added;
  std::vector<SubAtPlace> subs;
};

class CommonNoise {
 public:
  CommonNoise(std::span<const CombineSub> subs, const CombineSettings& settings);
  /// False when no two subs share a master with known noise: nothing to add anywhere.
  [[nodiscard]] bool present() const noexcept { return present_; }

  /// The covariance part for apertures of `aperture` x `aperture` pixels (the variance of the sum
  /// over their number of pixels) about `centre`. `gains`: variance of a resampled sample over
  /// that of a raw one, per sub; < 0: the kernel's own.
  [[nodiscard]] CommonVariance at(Point centre, int plane, int aperture,
                                  std::span<const double> gains, CommonScratch& scratch) const;

 private:
  void gather(Point centre, int plane, std::span<const double> gains, CommonScratch& scratch) const;
  std::span<const CombineSub> subs_;
  const CombineSettings& settings_;
  bool present_ = false;
  std::vector<int> subtract_ids_, flat_ids_;  ///< distinct ones
};

}  // namespace coldframe::pipeline
