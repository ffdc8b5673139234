/// \file
/// Description of a synthetic session. Written as JSON (see testdata/scenes); every
/// key optional, unknown keys are errors.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/cfa.hpp"

namespace coldframe::sim {

/// Values that belong to red, green and blue.
using Rgb = std::array<double, 3>;

/// Codes are those of the converter: a stored value is code * 2^left_shift, so the gain of
/// stored values (EGAIN in the headers) is gain_e_per_adu / 2^left_shift.
struct SensorScene {
  int width = 1500;
  int height = 1000;
  CfaPattern cfa = CfaPattern::none;
  double gain_e_per_adu = 1.0;
  double read_noise_e = 3.0;
  double offset_adu = 500.0;
  int adc_bits = 16;
  int left_shift = 0;  ///< 12/14-bit data shifted left
  double full_well_e = 50000.0;
  double bias_structure_adu = 2.0;  ///< amplitude of fixed columns and a slope
  double dark_e_per_s = 0.02;
  double dark_spread = 0.15;  ///< relative pixel-to-pixel spread of the dark current
  double hot_pixel_share = 1e-3;
  double hot_pixel_e_per_s = 5.0;  ///< scale of an exponential distribution
  double telegraph_share = 0.0;    ///< pixels that jump between two dark levels
  double telegraph_e = 60.0;       ///< height of the jump after 100 s
  double cold_pixel_share = 1e-5;  ///< pixels that answer with 10 to 60% of their neighbours
  double pixel_response_sd = 0.005;
  double row_noise_e = 0.0;  ///< sd of a per-row offset that changes per frame
  double column_noise_e = 0.0;
  double glow_e = 0.0;          ///< amplifier glow in a corner after 100 s
  double glow_power = 1.0;      ///< grows as (t/100)^power; 1 = linear
  double dual_gain_adu = 0.0;   ///< > 0: above this the response has a small step
  double dual_gain_step = 0.0;  ///< relative step in slope
  double temperature_c = -10.0;
  double gain_setting = 100.0;   ///< the driver's number, for the header only
  double offset_setting = 20.0;  ///< the driver's number, for the header only
  std::string read_out = "normal";
  Rgb channel_response{1.0, 1.0, 1.0};  ///< of the colour filters of a mosaic
};

struct OpticsScene {
  double focal_length_mm = 620.0;
  double pixel_um = 4.6;
  double vignetting = 0.3;  ///< loss at the corner
  int dust_count = 12;
  double dust_depth = 0.05;
  double dust_moved_px = 0.0;  ///< shift of dust between flats and lights
  double psf_beta = 3.5;       ///< Moffat exponent
  double wing_share = 0.0;     ///< share of light in a wide second component (no Moffat)
  double wing_fwhm_factor = 4.0;
  double wing_beta = 2.5;
  double corner_fwhm_factor = 1.0;  ///< 1.6 = field curvature
  double tilt = 0.0;  ///< relative growth of the width from the centre to the frame's far end ...
  double tilt_angle_deg = 0.0;      ///< ... in this direction, and as much fall the other way
  double corner_ellipticity = 0.0;  ///< 0.4 = coma-like stretching along the radius
};

struct SkyScene {
  double sky_e_per_s = 4.0;          ///< per pixel
  double gradient = 0.2;             ///< relative, across the frame
  double gradient_angle_deg = 20.0;  ///< direction of brightening on the sky grid
  double gradient_drift = 0.0;       ///< change of its direction over the session, turns
  double sky_rise = 0.0;             ///< relative change of level over the session
  double cloud_brightening = 0.3;    ///< sky *= 1 + this * (1 - transparency)
  Rgb sky_colour{1.0, 1.0, 1.0};
  int stars = 900;  ///< inside an undithered frame; the field goes on beyond it
  double brightest_e_per_s = 8000.0;
  double magnitude_slope = 0.33;  ///< log10 of counts per magnitude
  double magnitude_range = 9.0;
  double colour_sd = 0.35;  ///< spread of the stars' colour index, mag
  // Galaxy (Sersic) with a faint exponential halo; 0 flux = none.
  double galaxy_e_per_s = 0.0;
  double galaxy_radius_px = 40.0;
  double galaxy_index = 2.0;
  double galaxy_axis_ratio = 0.6;
  double galaxy_angle_deg = 30.0;
  double galaxy_x = 0.5, galaxy_y = 0.5;  ///< share of the frame
  double galaxy_colour = 0.0;             ///< colour index, mag; positive is red
  double spiral_depth = 0.0;              ///< contrast of two arms, 0 = smooth
  double spiral_pitch_deg = 18.0;
  double halo_e_per_s = 0.0;
  double halo_radius_px = 150.0;  ///< exponential scale length
  double halo_axis_ratio = 0.85;
  double halo_colour = 0.0;
  // King cluster; 0 stars = none.
  int cluster_stars = 0;
  double cluster_core_px = 30.0;
  double cluster_tidal_px = 500.0;
  double cluster_brightest_e_per_s = 1500.0;
  double cluster_magnitude_range = 7.0;
  double cluster_magnitude_slope = 0.3;
  double cluster_x = 0.5, cluster_y = 0.5;
  // Where on the sky: the centre of the sky grid, north up, east to the left.
  double ra_deg = 150.0;
  double dec_deg = 30.0;
  double zero_point_mag = 21.5;  ///< magnitude of a source of 1 e/s
};

/// One light; lists in the scene are expanded to these.
struct SubScene {
  std::string filter = "L";
  double exposure_s = 120.0;
  double seeing_fwhm_px = 3.0;  ///< optical, before the pixel
  double smear_px = 0.0;        ///< tracking error: length of a line along smear_angle
  double smear_angle_deg = 0.0;
  double jump_px = 0.0;     ///< guiding jump: second image displaced by this
  double jump_share = 0.0;  ///< share of the light in it
  double jump_angle_deg = 0.0;
  double shift_x = 0.0, shift_y = 0.0;  ///< dither and drift
  double rotation_deg = 0.0;            ///< about the frame's centre
  bool flipped = false;                 ///< mount flip: a further 180 degrees
  double transparency = 1.0;
  double sky_factor = 1.0;  ///< further factor on the sky's level
  int trails = 0;
  double trail_e_per_px = 200.0;  ///< peak surface brightness
  double trail_fwhm_px = 3.0;
  double trail_wing_share = 0.0;  ///< height of a wing four times as wide, relative to the peak
  double cosmic_rays = 3.0;       ///< mean number of hits
};

struct Scene {
  std::string name = "scene";
  std::string object = "Wren Galaxy";     ///< invented
  std::vector<std::string> filters{"L"};  ///< flats are taken through each
  std::string camera = "Sim Camera";
  std::string telescope = "Sim Refractor";
  std::uint64_t seed = 1;
  SensorScene sensor;
  OpticsScene optics;
  SkyScene sky;
  std::vector<SubScene> lights;
  int bias = 0;
  int darks = 20;
  double dark_exposure_s = 120.0;
  int flats = 15;                 ///< per filter
  double flat_level_share = 0.5;  ///< of full well or of the converter's range, whichever is less
  double flat_drift = 0.03;       ///< relative fall of the level from one flat to the next
  double dark_cosmic_rays = 2.0;  ///< mean number of hits per 100 s in darks
  double flat_exposure_s = 2.0;
  int flat_darks = 10;
  std::string start = "2031-03-14T20:30:00";
  double spacing_s = 130.0;       ///< between the starts of two lights
  std::vector<std::string> omit;  ///< keywords that the camera does not write
};

/// Parses a scene. Throws Error(usage) that names the key, the fault and the range.
[[nodiscard]] Scene parse_scene(std::string_view json, std::string_view name);

}  // namespace coldframe::sim
