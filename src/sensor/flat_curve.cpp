#include "sensor/flat_curve.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <span>
#include <vector>

#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

constexpr double bend_by_shape = 0.01;
constexpr double bend_by_noise = 0.05;
constexpr double bright_share = 0.2;  // of saturation
constexpr double sure = 5.0;
constexpr double most_saturated = 0.01;
constexpr double least_spread = 0.1;  // of the levels
constexpr double least_vignetting = 0.03;
constexpr std::size_t fewest_frames = 4;

struct Bend {
  double bend = 0.0;
  double error = std::numeric_limits<double>::infinity();
  [[nodiscard]] bool shows(double least) const noexcept {
    return bend > least && bend > sure * error;
  }
};

std::array<double, shape_cells * shape_cells> usual_shape(const std::vector<FrameLevel>& frames) {
  std::array<double, shape_cells * shape_cells> usual{};
  std::vector<double> column;
  for (std::size_t c = 0; c < usual.size(); ++c) {
    column.clear();
    for (const auto& frame : frames) {
      const double value = frame.shape[c] / frame.level;
      if (std::isfinite(value)) column.push_back(value);
    }
    usual[c] = column.empty() ? std::nan("") : median_in_place(std::span<double>(column));
  }
  return usual;
}

/// How much flatter than usual one frame is: slope of its relative departure against the loss by
/// vignetting, with level and plane free (a twilight sky's plane is no bend).
double flatness(const FrameLevel& frame,
                const std::array<double, shape_cells * shape_cells>& usual) {
  std::vector<double> design, values;
  for (std::size_t c = 0; c < usual.size(); ++c) {
    const double departure = frame.shape[c] / frame.level / usual[c] - 1.0;
    if (!std::isfinite(departure) || !(usual[c] > 0.05)) continue;
    design.push_back(1.0);
    design.push_back(static_cast<double>(c % shape_cells));
    design.push_back(static_cast<double>(c / shape_cells));
    design.push_back(1.0 - usual[c]);
    values.push_back(departure);
  }
  const auto fit = linear_least_squares(design, 4, values, {});
  return fit.status == FitStatus::converged && fit.rank == 4 ? fit.coefficients[3] : std::nan("");
}

Bend bend_of_shapes(const std::vector<FrameLevel>& frames,
                    const std::array<double, shape_cells * shape_cells>& usual, double top) {
  std::vector<double> shape(usual.begin(), usual.end());
  std::erase_if(shape, [](double v) { return !std::isfinite(v); });
  if (shape.size() < 16) return {};
  const auto [low, high] = std::minmax_element(shape.begin(), shape.end());
  if (*high - *low < least_vignetting) return {};
  std::vector<double> design, values;
  double lowest = top;
  for (const auto& frame : frames) {
    const double value = flatness(frame, usual);
    if (!std::isfinite(value)) continue;
    design.push_back(1.0);
    design.push_back(frame.level / top);
    values.push_back(value);
    lowest = std::min(lowest, frame.level);
  }
  if (values.size() < fewest_frames || lowest > (1.0 - least_spread) * top) return {};
  const auto fit = linear_least_squares(design, 2, values, {});
  if (fit.status != FitStatus::converged || fit.rank != 2) return {};
  const double scatter = fit.sum_of_squares / (static_cast<double>(values.size()) - 2.0);
  return {fit.coefficients[1], std::sqrt(fit.covariance[3] * scatter)};
}

/// Noise per signal against signal over all pairs. The dark part of the noise cannot be told apart
/// in flats: only where they are bright is it sure to be small.
Bend bend_of_noise(const FrameSamples& samples, double top, double saturation_adu) {
  if (top < bright_share * saturation_adu) return {};
  std::vector<double> design, values, weights;
  double lowest = std::numeric_limits<double>::infinity();
  double highest = 0.0;
  for (const auto& pair : samples.pairs) {
    const double level = samples.levels[pair.first].level;
    if (samples.levels[pair.first].saturated_share >= most_saturated ||
        samples.levels[pair.second].saturated_share >= most_saturated) {
      continue;
    }
    for (const auto& bin : pair.bins) {
      if (!(bin.x2 > 0.0) || !(bin.variance > 0.0) || bin.pixels < 1000.0) continue;
      // x2 = 2 signal / level: signal in ADU of the pair's mean frame.
      const double share = 0.5 * bin.x2 * level * level / top;
      design.push_back(1.0);
      design.push_back(share);
      values.push_back(bin.variance / bin.x2);
      weights.push_back(bin.pixels / (2.0 * bin.variance * bin.variance / (bin.x2 * bin.x2)));
      lowest = std::min(lowest, share);
      highest = std::max(highest, share);
    }
  }
  if (values.size() < 4 || highest - lowest < 0.15) return {};
  const auto fit = linear_least_squares(design, 2, values, weights);
  if (fit.status != FitStatus::converged || fit.rank != 2) return {};
  const double dim = fit.coefficients[0];
  if (!(dim > 0.0)) return {};
  const double scatter =
      std::max(fit.sum_of_squares / (static_cast<double>(values.size()) - 2.0), 1.0);
  return {-fit.coefficients[1] / dim / 4.0, std::sqrt(fit.covariance[3] * scatter) / dim / 4.0};
}

}  // namespace

FlatCurve flat_curve(const FrameSamples& samples, double saturation_adu) {
  FlatCurve curve;
  std::vector<FrameLevel> sound;
  for (const auto& frame : samples.levels) {
    if (frame.level > 0.0 && frame.saturated_share < most_saturated) sound.push_back(frame);
  }
  if (sound.size() < 2) return curve;
  for (const auto& frame : sound) curve.top = std::max(curve.top, frame.level);
  curve.usual = usual_shape(sound);
  const Bend shape = bend_of_shapes(sound, curve.usual, curve.top);
  const Bend grain = bend_of_noise(samples, curve.top, saturation_adu);
  const bool by_shape = shape.shows(bend_by_shape);
  if (!by_shape && !grain.shows(bend_by_noise)) return curve;
  const Bend& found = by_shape ? shape : grain;
  curve.bent = true;
  curve.bend = found.bend;
  curve.error = found.error;
  curve.text = fmt::format(
      "the response bends: at {:.0f} ADU {:.1f}% (+-{:.1f}%) of the light are missing, as the "
      "flats' {} "
      "tell; vignetting comes out too weak. Take flats at a lower level, below half of the full "
      "well",
      curve.top, 100.0 * curve.bend, 100.0 * curve.error,
      by_shape ? "shapes at different levels" : "noise");
  return curve;
}

}  // namespace coldframe::sensor
