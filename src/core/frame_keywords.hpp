/// \file
/// The table of keyword spellings behind `interpret_header`, private to core.
#pragma once

#include <span>
#include <string_view>

namespace coldframe::detail {

/// A fact that several keywords can state.
enum class Fact {
  kind,
  exposure,
  temperature,
  set_temperature,
  gain_setting,
  offset_setting,
  electron_gain,
  read_noise,
  saturation,
  binning_x,
  binning_y,
  binning_pair,
  camera,
  telescope,
  read_out,
  filter,
  filter_wheel,
  object,
  pier_side,
  focal_length,
  pixel_size,       ///< as recorded
  bare_pixel_size,  ///< of the sensor, without binning
  pixel_scale,
  site_latitude,
  site_longitude,
  airmass,
  rotator,
  focus_position,
  focus_temperature,
  cfa_pattern,
  cfa_offset_x,
  cfa_offset_y,
  start_date,
  start_time,
  end_date,
  julian_date,
  modified_julian_date,
  combined_count,
  calibration_done,
  bias_section,
  trim_section,
  data_section
};

/// One keyword. `factor` turns its number into the library's unit.
struct Spelling {
  Fact fact;
  std::string_view keyword;
  double factor = 1.0;
};

/// The whole table; within a fact, earlier rows win.
[[nodiscard]] std::span<const Spelling> spelling_table() noexcept;

/// Keywords of a right ascension and the declination that belongs to it.
struct PointingPair {
  std::string_view ra;
  std::string_view dec;
  bool needs_celestial_axes;  ///< only where CTYPE1/2 say that axis 1 is RA and 2 is DEC
};
[[nodiscard]] std::span<const PointingPair> pointing_pairs() noexcept;

}  // namespace coldframe::detail
