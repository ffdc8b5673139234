/// \file
/// One set of masters made ready for use, and reading calibrated pixels through it.
#pragma once

#include <functional>
#include <memory>
#include <span>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/pixel_source.hpp"
#include "coldframe/core/units.hpp"
#include "coldframe/sensor/calibrate.hpp"
#include "coldframe/sensor/line_noise.hpp"
#include "coldframe/sensor/masters.hpp"
#include "coldframe/stack/cosmic_rays.hpp"

namespace coldframe::pipeline {

/// What a frame of one camera, exposure and filter is calibrated with.
struct Calibration {
  Grid<float> subtract;  ///< ADU; empty: constant_subtract
  Grid<float> multiply;  ///< gain/flat; empty: constant_multiply
  Mask defects;          ///< empty: none known
  float constant_subtract = 0.0F;
  float constant_multiply = 1.0F;
  float saturation_adu = 65535.0F;
  CfaPattern cfa = CfaPattern::none;
  PixelUnit unit = PixelUnit::adu;
  double gain_e_per_adu = 0.0;  ///< 0 = unknown
  /// Mean of 1/flat over blocks of block_px pixels (sensor coordinates); empty: 1 everywhere.
  Grid<float> inverse_flat;
  /// Noise that the masters bring in and that every sub calibrated with them shares, mean over the
  /// good pixels of the same blocks: variance of what is subtracted (ADU^2) and relative variance
  /// of the flat. Empty: no such master.
  Grid<float> subtract_variance;
  Grid<float> flat_variance;
  /// The same pixel by pixel, and the variance of one raw frame in the dark (ADU^2: read noise and
  /// dark current of each pixel); filled only when `CalibrationInputs::keep_variance` asks for it.
  struct NoisePlanes {
    Grid<float> dark_frame;  ///< empty: `dark_frame_variance` everywhere
    Grid<float> subtract;
    Grid<float> flat;
  } noise;
  double dark_frame_variance = 0.0;  ///< ADU^2, of a usual pixel; 0 = unknown
  /// Which masters these are: equal numbers mean the same errors; -1: own to this calibration.
  int subtract_id = -1;
  int flat_id = -1;

  [[nodiscard]] sensor::CalibrationPlanes planes() const noexcept;
  /// 1/flat at a sensor position, 1 without a flat.
  [[nodiscard]] double inverse_flat_at(double x, double y) const noexcept;
  /// The shared part of the variance of a calibrated value (its unit squared) near a sensor
  /// position; `value` is the calibrated signal there, sky included.
  [[nodiscard]] double shared_variance_at(double x, double y, double value) const noexcept;
  /// Electrons per unit of calibrated value before the flat: 1 in electrons;
  /// in ADU the gain when known, else 1.
  [[nodiscard]] double electrons_per_unit() const noexcept;
};

/// Inputs of `prepare_calibration`; null or unset: not there.
struct CalibrationInputs {
  Size frame;
  const sensor::Master* dark = nullptr;  ///< master to subtract (dark, or bias)
  const sensor::Master* bias = nullptr;  ///< with `dark`: scale the dark's rate
  double dark_scale = 1.0;               ///< light's rate x exposure / dark's, used with `bias`
  double dark_scale_error = 0.0;         ///< relative; common to all pixels
  const sensor::Master* flat = nullptr;
  double constant_subtract = 0.0;  ///< offset when there is neither dark nor bias
  double gain_e_per_adu = 0.0;
  double saturation_adu = 65535.0;
  double frame_noise_adu = 0.0;  ///< of one dark pixel, for the defect limits
  CfaPattern cfa = CfaPattern::none;
  bool keep_variance = false;  ///< fill `Calibration::noise` (12 bytes a pixel)
};
[[nodiscard]] Calibration prepare_calibration(const CalibrationInputs& inputs, Threads threads);

/// Reads `rect` (inside the frame) calibrated and repaired: raw, calibrate,
/// defects replaced. Works on a slightly larger rectangle, so the result does
/// not depend on how a frame is divided. `lines`: offsets of rows and columns to take out; null:
/// none. `particles`: hit pixels by rows, repaired and marked like defects.
void read_calibrated(const PixelSource& raw, const Calibration& calibration, const Rect& rect,
                     PlaneView<float> values, PlaneView<std::uint8_t> mask, int plane = 0,
                     const sensor::LineOffsets* lines = nullptr,
                     std::span<const stack::HitPixel> particles = {});

/// Adds defects that show in the lights themselves to `calibration.defects`
/// (sessions without darks). `lights`: 3 or more, spread over the session.
/// Returns how many pixels were added.
std::int64_t find_defects_from_lights(const std::vector<const PixelSource*>& lights,
                                      Calibration& calibration, Threads threads,
                                      const Watch& watch);

}  // namespace coldframe::pipeline
