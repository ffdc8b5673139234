/// \file
/// Knowing a camera from a handful of frames: codes, gain, read noise, full well, dark current,
/// linearity, fixed pattern (EMVA 1288 R4.0).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/sensor/code_levels.hpp"
#include "coldframe/sensor/ladders.hpp"
#include "coldframe/sensor/mean_variance.hpp"
#include "coldframe/session/inventory.hpp"

namespace coldframe::session {

struct CameraJob {
  /// Of the kind that the owner says, whatever the header.
  std::vector<std::filesystem::path> bias, dark, flat;
  std::vector<std::filesystem::path> others;  ///< files and folders, kind by header
  std::vector<SuppliedCard> supplied;
  std::optional<double> saturation_adu;
  Threads threads;
};

/// Two flats of one exposure.
struct CameraPair {
  std::string first, second;
  std::string filter;
  std::optional<double> exposure_s;
  double signal_adu = 0.0;   ///< mean above dark of what is not saturated
  double light_ratio = 1.0;  ///< level of the first over that of the second
  double usable_share = 0.0;
};

struct CameraMeasurement {
  std::string camera, read_out;
  std::optional<double> gain_setting, offset_setting, header_gain_e_per_adu;
  int binning = 1;
  Size size;
  CfaPattern cfa = CfaPattern::none;
  int bias_frames = 0, dark_frames = 0, flat_frames = 0;

  sensor::CodeLevels codes;
  double saturation_adu = 0.0;
  std::string saturation_source;  ///< "option", "codes", "header", "noise" or "range"
  double zero_adu = 0.0;          ///< level without light
  double at_zero_code = 0.0;      ///< share of bias pixels at the lowest possible code
  std::string dark_source;        ///< "bias" or "dark": what the read noise was taken from
  double dark_source_s = 0.0;

  sensor::TransferFit fit;                 ///< all sites together
  std::vector<sensor::TransferFit> sites;  ///< colour mosaics: one per site of the 2 x 2 cell
  sensor::ReadNoise read_noise;
  std::vector<sensor::ReadNoise> site_noise;
  std::vector<CameraPair> pairs;
  std::vector<sensor::TransferPoint> points;
  sensor::FixedPattern pattern;
  double row_correlation = 0.0;       ///< of neighbours along rows in dark frames
  std::optional<double> full_well_e;  ///< only when frames reach saturation
  std::vector<sensor::DarkCurrent> dark_currents;
  std::optional<sensor::Doubling> doubling;
  double hot_share = 0.0;  ///< of the pixels of the longest dark
  double hot_exposure_s = 0.0;
  sensor::Linearity linearity;
  std::vector<sensor::LightLevel> light_levels;

  std::vector<std::string> notes;   ///< what limits or contradicts the figures
  std::vector<std::string> advice;  ///< what more frames would add
};

struct CameraOutcome {
  std::vector<CameraMeasurement> cameras;  ///< one per camera, read-out mode, gain, offset, binning
  std::vector<LeftOut> left_out;
};

/// Throws Error(usage) without frames, Error(input) when a named path is missing.
[[nodiscard]] CameraOutcome measure_cameras(const CameraJob& job, const Watch& watch);

[[nodiscard]] std::string camera_text(const CameraMeasurement& camera);
[[nodiscard]] std::string camera_json(const CameraOutcome& outcome);
/// Noise variance against signal, as an SVG document; empty without points.
[[nodiscard]] std::string camera_plot(const CameraMeasurement& camera);
void write_camera_plot(const CameraMeasurement& camera, const std::filesystem::path& out);

}  // namespace coldframe::session
