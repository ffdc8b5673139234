// Which sensor samples, and with what weights, an aperture of result pixels reads from a sub.
#pragma once

#include <cstdint>
#include <vector>

#include "coldframe/align/kernel_weights.hpp"
#include "coldframe/core/geometry.hpp"

namespace coldframe::pipeline {

/// One axis: `aperture` neighbouring result pixels, the first of which lies at `position` and which
/// are `step` apart, both in samples of the sensor. Beyond the resampler's threshold the kernel is
/// stretched by the step.
struct AxisPlace {
  double position = 0.0;
  double step = 1.0;
  int aperture = 1;
};

/// The sum of the resampling kernels of those pixels.
class AxisFootprint {
 public:
  AxisFootprint(align::Kernel kernel, const AxisPlace& place);
  [[nodiscard]] int first() const noexcept { return first_; }
  [[nodiscard]] const std::vector<double>& weights() const noexcept { return weights_; }
  /// Variance of the sum over the aperture's pixels, over their number: white unit noise.
  [[nodiscard]] double response() const noexcept;

 private:
  void add_plain(align::Kernel kernel, double position);
  void add_stretched(align::Kernel kernel, double position, double stretch);
  int first_ = 0;
  int aperture_ = 1;
  std::vector<double> weights_;
};

/// The same for a square aperture.
[[nodiscard]] double aperture_response(align::Kernel kernel, Point position, double step,
                                       int aperture);
/// The same, mean over all sub-pixel phases.
[[nodiscard]] double mean_aperture_response(align::Kernel kernel, double step, int aperture);

/// Sums of what subs read from the samples of one sensor. Positions are folded into a
/// square of `side` samples: errors of the same sample meet, and far ones only by rare accident.
class SensorSamples {
 public:
  SensorSamples() : cells_(cell_count), listed_(cell_count) {}
  void clear() noexcept;
  void add(const AxisFootprint& x, const AxisFootprint& y, double amplitude);
  /// sum over samples of (what was added)^2
  [[nodiscard]] double squares() const noexcept;
  /// sum over samples of (added here) * (added to `other`)
  [[nodiscard]] double product(const SensorSamples& other) const noexcept;
  /// sum over samples of weights * added
  [[nodiscard]] double read(const AxisFootprint& x, const AxisFootprint& y) const noexcept;

  static constexpr int side = 256;
  static constexpr std::size_t cell_count = std::size_t{side} * side;

 private:
  [[nodiscard]] static std::size_t fold(int k) noexcept {
    return static_cast<std::size_t>(static_cast<unsigned>(k) & (side - 1U));
  }
  std::vector<double> cells_;
  std::vector<std::uint8_t> listed_;
  std::vector<std::size_t> touched_;  ///< cells that may not be 0
};

}  // namespace coldframe::pipeline
