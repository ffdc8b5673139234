/// \file
/// The session's record: what `session.json`, `subs.csv` and the report say. Schema 1 (design
/// section 6).
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/align/distortion.hpp"
#include "coldframe/core/transform.hpp"
#include "coldframe/pipeline/depth.hpp"
#include "coldframe/sensor/line_separation.hpp"
#include "coldframe/session/background.hpp"
#include "coldframe/session/inventory.hpp"
#include "coldframe/session/solving.hpp"
#include "coldframe/stack/trails.hpp"
#include "coldframe/stars/field_shape.hpp"

namespace coldframe::session {

struct CameraRecord {
  std::string name, read_out, source = "unknown";
  std::optional<double> gain_setting, offset, gain_e_per_adu, read_noise_e, saturation_adu;
  int binning = 1;
};

struct MasterRecord {
  std::string kind, path;
  int frames = 0;
  std::optional<double> exposure_s, temperature_c, noise_adu;
  std::string filter;
  std::vector<std::string> notes;
  std::string library;                  ///< file of the library it was taken from; empty: made here
  std::optional<double> age_days;       ///< between its first frame and the lights
  std::vector<std::string> chosen_why;  ///< why lights use it
  std::vector<std::string> not_chosen;  ///< other sets of the kind and what they differ in
};

/// How one line of a dual-band filter was separated.
struct LineRecord {
  std::string from, filter, source;  ///< colour result, its filter, "owner" or "assumed"
  std::array<std::string, 2> names;
  sensor::Crosstalk crosstalk;
  double condition = 1.0;
  double error_correlation = 0.0;
};

struct ResultRecord {
  std::string object, filter, path, preview, flat_sky_path, drizzle_path, reference, unit;
  bool grid_kept = false;  ///< reference and flux scale are those of an earlier run
  int subs_total = 0, subs_kept = 0;
  double exposure_s = 0.0;
  std::optional<double> noise_per_px, fwhm_px, fwhm_arcsec, noise_correlation;
  /// Signal to noise over that of the ideal weighted mean of the kept subs.
  std::optional<double> snr_of_ideal;
  pipeline::DepthGrowth growth;  ///< noise against number of subs; no steps: not measured
  /// What as many subs again would add to the limit, magnitudes.
  std::optional<double> doubling_mag;
  std::optional<double> drizzle_fwhm_px, drizzle_noise_correlation;  ///< in drizzled pixels
  /// Medians over the kept subs that show enough stars, in the sensor's axes; `field_subs` of them.
  int field_subs = 0;
  stars::Estimate tilt_px, curvature_px, corner_elongation;
  double tilt_direction_deg = 0.0;
  int planes = 1;
  std::string demosaic;  ///< how a mosaic's colours were filled in; empty: no mosaic
  double scale = 1.0;    ///< result pixels per pixel of the reference sub
  align::DistortionFit distortion;
  std::optional<LineRecord> lines;
  // For the report alone, not in session.json.
  Size canvas;
  std::vector<Point> star_places;     ///< of the result's brighter stars, its pixels
  std::optional<SolvedImage> solved;  ///< when a catalogue was given; without its table
  std::string photometry_path;        ///< CSV; empty: none
  std::optional<sky::Extinction> extinction;
  std::optional<sky::ColourBalance> colour_balance;
  std::vector<PlaneBackground> background;  ///< of the version without gradient, by plane
};

struct SubRecord {
  std::string path;
  int result = 0;
  int camera = 0;
  std::vector<int> masters;
  std::string night, start, filter, reason;
  bool kept = false;
  std::optional<double> exposure_s, fwhm_px, fwhm_arcsec, ellipticity, position_angle_deg,
      sky_per_s, noise_per_px, transparency, weight, residual_px, clipped_low, clipped_high;
  /// Standard deviation of offsets of rows and columns, before and after taking them out.
  std::optional<double> row_noise, row_noise_left, column_noise, column_noise_left;
  std::optional<int> stars, matched_stars;
  std::string registered_through;  ///< the sub that led to the reference; empty: matched itself
  bool transform_given = false;    ///< by the owner's file, not found by matching
  std::string rule;                ///< that dropped the sub, see `session::Decision`; "" when kept
  std::optional<double> rule_value, rule_limit;
  std::optional<double> contribution;    ///< share of the result: weight as far as it was used
  std::optional<int> cosmic_ray_pixels;  ///< found in this sub alone; unset: not looked for
  std::string unit;                      ///< of sky and noise: "electron" or "adu"
  std::optional<double> fwhm_error_px, ellipticity_error, transparency_error;
  std::optional<double> noise_per_s;     ///< noise_per_px / exposure_s
  std::optional<int> stars_equal_depth;  ///< above the flux that three quarters of the subs reach
  /// Estimated share of the kept subs' (signal/noise)^2 for stars; sums to 1 over a result.
  std::optional<double> snr_share;
  std::optional<double> arcsec_per_px;
  std::optional<double> east_deg;  ///< towards growing RA, as position_angle_deg; from a WCS
  /// At the middle of the exposure; `airmass` from place and time, else the header's.
  std::optional<double> airmass, altitude_deg, moon_altitude_deg, moon_phase, moon_separation_deg,
      sun_altitude_deg;
  std::optional<double> focus_position, focus_temperature_c, rotator_deg, sensor_temperature_c;
  /// Rise of the sky across the frame along the reference's x and y, share of its level.
  std::optional<double> gradient_x, gradient_y;
  stars::FieldShape field;  ///< `field.stars` 0: too few stars
  std::optional<Transform> transform;
  std::vector<align::ResidualVector> residuals;
  Size frame;                        ///< in which the residuals lie
  int set_up = 0;                    ///< telescope and camera; 0: the reference's
  std::vector<stack::Trail> trails;  ///< in the sub's own pixels
  // For the report alone, not in session.json.
  std::vector<stack::Trail> canvas_trails;  ///< in the result's pixels
  Transform to_canvas;
  std::filesystem::path preview_file;  ///< measurement that holds the preview; may be empty
  int preview_bin = 1;
  std::optional<sky::TanSip> wcs;  ///< of the sub, through its transform
};

/// What a pattern in the figures means, in plain words.
struct HintRecord {
  std::string code;     ///< stable word for programs
  std::string message;  ///< what, how large, what to do
  /// Estimated share of the session's (signal/noise)^2 for stars that it costs; orders the hints.
  double loss = 0.0;
  std::vector<std::pair<std::string, double>> evidence;  ///< names carry units
  std::vector<std::string> subs;                         ///< that show it most, or all
};

/// What a stage took. Bytes are those asked of and given to the system, whether or not a disk moved
/// for them; 0 where the system does not tell.
struct StageTime {
  std::string stage;
  double wall_s = 0.0;
  double cpu_s = 0.0;
  std::uint64_t bytes_read = 0;
  std::uint64_t bytes_written = 0;
  std::uint64_t peak_memory_bytes = 0;  ///< largest so far when the stage ended
};

struct SessionRecord {
  std::vector<std::string> folders;  ///< first parts of names, when several were given
  std::vector<CameraRecord> cameras;
  std::vector<MasterRecord> masters;
  std::vector<Warning> warnings;
  std::vector<LeftOut> left_out;
  std::vector<ResultRecord> results;
  std::vector<SubRecord> subs;
  std::vector<HintRecord> hints;  ///< costliest first
  std::vector<StageTime> timings;
  std::string state = "running";  ///< "running" or "done"
  std::size_t memory_bytes = 0;
  std::size_t peak_memory_bytes = 0;
  int measured = 0;  ///< subs measured in this run
  int reused = 0;    ///< measurements taken from OUT/measure
};

[[nodiscard]] std::string record_json(const SessionRecord& record);
[[nodiscard]] std::string subs_csv(const SessionRecord& record);
[[nodiscard]] std::string report_page(const SessionRecord& record,
                                      const std::filesystem::path& out);

}  // namespace coldframe::session
