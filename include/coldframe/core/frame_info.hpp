/// \file
/// What a FITS header says about a frame, in the library's own terms.
///
/// Sources: FITS Standard 4.0 (2018) for the reserved keywords; the amateur and
/// observatory spellings in the table of `frame_info.cpp` are common practice,
/// no source. GAIN is a driver's setting and never taken for electrons per ADU.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/geometry.hpp"
#include "coldframe/core/header.hpp"

namespace coldframe {

enum class FrameKind { unknown, light, dark, flat, bias, flat_dark };

[[nodiscard]] std::string_view to_string(FrameKind kind) noexcept;

/// Facts of one frame. Unset optionals and empty strings mean the header is
/// silent; nothing is assumed in its place.
struct FrameInfo {
  FrameKind kind = FrameKind::unknown;
  bool is_master = false;      ///< already a combination of several frames
  bool is_calibrated = false;  ///< the header says that dark or flat have been applied
  Size size;                   ///< of the image as stored
  int planes = 1;

  std::string camera;     ///< INSTRUME
  std::string telescope;  ///< TELESCOP
  std::string read_out;   ///< READOUTM and its like
  std::string filter;
  std::string object;
  std::string pier_side;
  std::string start_text;         ///< DATE-OBS as ISO text (date and time joined), UTC
  std::optional<double> start_s;  ///< the same in seconds since 1970-01-01 UTC
  std::optional<double> exposure_s;
  std::optional<double> temperature_c;      ///< sensor, measured
  std::optional<double> set_temperature_c;  ///< sensor, wanted
  std::optional<double> gain_setting;       ///< GAIN: driver's number, never e/ADU
  std::optional<double> offset_setting;
  std::optional<double> gain_e_per_adu;  ///< EGAIN and its like
  std::optional<double> read_noise_e;
  std::optional<double> saturation_adu;
  /// DATAMAX: the largest valid pixel value (FITS 4.0, 4.4.2.5); of a camera or of this picture.
  std::optional<double> data_max_adu;
  /// PEDESTAL: calibrated value = stored + pedestal (as the card's comment has it).
  std::optional<double> pedestal_adu;
  int binning_x = 1;
  int binning_y = 1;
  CfaPattern cfa = CfaPattern::none;  ///< offsets and row order already applied
  std::optional<double> focal_length_mm;
  /// Side of a recorded pixel, binning included (a size that the header gives for the bare sensor
  /// is multiplied).
  std::optional<double> pixel_size_um;
  std::optional<double> header_arcsec_per_px;  ///< a scale the header states itself
  /// From a celestial solution in the header; filled by whoever can read one (`session`).
  std::optional<double> wcs_arcsec_per_px;
  std::optional<double> wcs_east_deg;  ///< towards growing RA, counter-clockwise from +x
  std::optional<double> ra_deg;        ///< J2000, of the pointing
  std::optional<double> dec_deg;
  std::optional<double> site_latitude_deg;
  std::optional<double> site_longitude_deg;  ///< east positive
  std::optional<double> airmass;
  std::optional<double> rotator_deg;
  std::optional<double> focus_position;
  std::optional<double> focus_temperature_c;
  std::optional<Rect> bias_section;  ///< 0-based, half-open
  std::optional<Rect> trim_section;
  std::optional<Rect> data_section;
  /// Set by `trim_to_image_area`: the part of the stored frame that `size` and `cfa` speak of.
  std::optional<Rect> image_area;

  std::vector<std::string> missing;   ///< names of facts the job wants and the header lacks
  std::vector<std::string> problems;  ///< cards that could not be understood, in words

  /// The best known sensor temperature: measured, else wanted.
  [[nodiscard]] std::optional<double> sensor_temperature_c() const noexcept {
    return temperature_c ? temperature_c : set_temperature_c;
  }
  /// Scale from the solution, else from focal length and pixel size, 206.265 p/f, else as the
  /// header states it; unset when nothing tells.
  [[nodiscard]] std::optional<double> arcsec_per_px() const noexcept;
};

/// Interprets a header. `file_name` (without folders) helps only when the
/// header does not say what kind of frame it is. Pure; never throws on content.
[[nodiscard]] FrameInfo interpret_header(const Header& header, Size size, int planes,
                                         std::string_view file_name = {});

/// Takes TRIMSEC, else DATASEC, else what BIASSEC leaves of the frame (a strip along one edge) as
/// the light-sensitive part: `size`, `cfa` (an odd cut moves the colours) and `image_area` are
/// set. Does nothing when all of the frame is that.
void trim_to_image_area(FrameInfo& info);

/// Reads an image type ("Light Frame", "FLATFIELD", "dark", "Bias Frame"...).
[[nodiscard]] FrameKind frame_kind_from_text(std::string_view text) noexcept;

/// Seconds since 1970-01-01 UTC of an ISO 8601 date, with or without time; unset when unreadable.
[[nodiscard]] std::optional<double> seconds_from_iso(std::string_view text);
/// "2031-03-14T21:03:11" of seconds since 1970 (rounded to the second).
[[nodiscard]] std::string iso_from_seconds(double seconds);
/// The date of the night a moment belongs to: nights change at local noon;
/// local = UTC + longitude/15 h (UTC when the longitude is unknown).
[[nodiscard]] std::string night_of(double seconds, std::optional<double> longitude_deg);

}  // namespace coldframe
