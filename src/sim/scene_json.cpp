#include <fmt/format.h>

#include "coldframe/core/error.hpp"
#include "coldframe/sim/scene.hpp"
#include "sim/frame_header.hpp"
#include "sim/scene_lights.hpp"
#include "sim/scene_reader.hpp"

namespace coldframe::sim {
namespace {

void read_cfa(ObjectReader& reader, CfaPattern& cfa) {
  std::string name;
  reader.text("cfa", name);
  if (name.empty()) return;
  cfa = cfa_from_string(name);
  if (cfa == CfaPattern::none && name != "none") {
    reader.refuse("cfa", "\"none\", \"RGGB\", \"BGGR\", \"GRBG\" or \"GBRG\"");
  }
}

void read_sensor(const Json& value, const std::string& file, SensorScene& sensor) {
  ObjectReader reader(value, file, "sensor");
  reader.whole("width", sensor.width, 16, 20000);
  reader.whole("height", sensor.height, 16, 20000);
  read_cfa(reader, sensor.cfa);
  reader.number("gain_e_per_adu", sensor.gain_e_per_adu, 1e-3, 1e3);
  reader.number("read_noise_e", sensor.read_noise_e, 0.0, 1e3);
  reader.number("offset_adu", sensor.offset_adu, 0.0, 60000.0);
  reader.whole("adc_bits", sensor.adc_bits, 8, 16);
  reader.whole("left_shift", sensor.left_shift, 0, 8);
  if (sensor.adc_bits + sensor.left_shift > 16) {
    reader.refuse("left_shift", "such that adc_bits + left_shift <= 16");
  }
  reader.number("full_well_e", sensor.full_well_e, 10.0, 1e7);
  reader.number("bias_structure_adu", sensor.bias_structure_adu, 0.0, 1e4);
  reader.number("dark_e_per_s", sensor.dark_e_per_s, 0.0, 1e4);
  reader.number("dark_spread", sensor.dark_spread, 0.0, 2.0);
  reader.number("hot_pixel_share", sensor.hot_pixel_share, 0.0, 0.2);
  reader.number("hot_pixel_e_per_s", sensor.hot_pixel_e_per_s, 0.0, 1e5);
  reader.number("telegraph_share", sensor.telegraph_share, 0.0, 0.1);
  reader.number("telegraph_e", sensor.telegraph_e, 0.0, 1e5);
  reader.number("cold_pixel_share", sensor.cold_pixel_share, 0.0, 0.1);
  reader.number("pixel_response_sd", sensor.pixel_response_sd, 0.0, 0.2);
  reader.number("row_noise_e", sensor.row_noise_e, 0.0, 1e3);
  reader.number("column_noise_e", sensor.column_noise_e, 0.0, 1e3);
  reader.number("glow_e", sensor.glow_e, 0.0, 1e5);
  reader.number("glow_power", sensor.glow_power, 0.1, 5.0);
  reader.number("dual_gain_adu", sensor.dual_gain_adu, 0.0, 65535.0);
  reader.number("dual_gain_step", sensor.dual_gain_step, -0.5, 0.5);
  reader.number("temperature_c", sensor.temperature_c, -100.0, 60.0);
  reader.number("gain_setting", sensor.gain_setting, 0.0, 1e4);
  reader.number("offset_setting", sensor.offset_setting, 0.0, 1e4);
  reader.text("read_out", sensor.read_out);
  reader.rgb("channel_response", sensor.channel_response, 0.01, 2.0);
  reader.finish();
}

void read_optics(const Json& value, const std::string& file, OpticsScene& optics) {
  ObjectReader reader(value, file, "optics");
  reader.number("focal_length_mm", optics.focal_length_mm, 1.0, 1e5);
  reader.number("pixel_um", optics.pixel_um, 0.5, 100.0);
  reader.number("vignetting", optics.vignetting, 0.0, 0.95);
  reader.whole("dust_count", optics.dust_count, 0, 1000);
  reader.number("dust_depth", optics.dust_depth, 0.0, 0.9);
  reader.number("dust_moved_px", optics.dust_moved_px, 0.0, 1000.0);
  reader.number("psf_beta", optics.psf_beta, 1.5, 20.0);
  reader.number("wing_share", optics.wing_share, 0.0, 0.9);
  reader.number("wing_fwhm_factor", optics.wing_fwhm_factor, 1.0, 30.0);
  reader.number("wing_beta", optics.wing_beta, 1.5, 20.0);
  reader.number("corner_fwhm_factor", optics.corner_fwhm_factor, 1.0, 5.0);
  reader.number("tilt", optics.tilt, 0.0, 0.8);
  reader.number("tilt_angle_deg", optics.tilt_angle_deg, -360.0, 360.0);
  reader.number("corner_ellipticity", optics.corner_ellipticity, 0.0, 0.8);
  reader.finish();
}

void read_galaxy(ObjectReader& reader, SkyScene& sky) {
  reader.number("galaxy_e_per_s", sky.galaxy_e_per_s, 0.0, 1e9);
  reader.number("galaxy_radius_px", sky.galaxy_radius_px, 0.5, 5000.0);
  reader.number("galaxy_index", sky.galaxy_index, 0.5, 8.0);
  reader.number("galaxy_axis_ratio", sky.galaxy_axis_ratio, 0.05, 1.0);
  reader.number("galaxy_angle_deg", sky.galaxy_angle_deg, -360.0, 360.0);
  reader.number("galaxy_x", sky.galaxy_x, -1.0, 2.0);
  reader.number("galaxy_y", sky.galaxy_y, -1.0, 2.0);
  reader.number("galaxy_colour", sky.galaxy_colour, -1.2, 1.2);
  reader.number("spiral_depth", sky.spiral_depth, 0.0, 0.95);
  reader.number("spiral_pitch_deg", sky.spiral_pitch_deg, 3.0, 80.0);
  reader.number("halo_e_per_s", sky.halo_e_per_s, 0.0, 1e9);
  reader.number("halo_radius_px", sky.halo_radius_px, 1.0, 1e4);
  reader.number("halo_axis_ratio", sky.halo_axis_ratio, 0.05, 1.0);
  reader.number("halo_colour", sky.halo_colour, -1.2, 1.2);
}

void read_cluster(ObjectReader& reader, SkyScene& sky) {
  reader.whole("cluster_stars", sky.cluster_stars, 0, 1000000);
  reader.number("cluster_core_px", sky.cluster_core_px, 0.5, 5000.0);
  reader.number("cluster_tidal_px", sky.cluster_tidal_px, 1.0, 1e5);
  if (sky.cluster_tidal_px <= sky.cluster_core_px) {
    reader.refuse("cluster_tidal_px", "greater than cluster_core_px");
  }
  reader.number("cluster_brightest_e_per_s", sky.cluster_brightest_e_per_s, 1e-3, 1e9);
  reader.number("cluster_magnitude_range", sky.cluster_magnitude_range, 0.0, 20.0);
  reader.number("cluster_magnitude_slope", sky.cluster_magnitude_slope, 0.0, 1.0);
  reader.number("cluster_x", sky.cluster_x, -1.0, 2.0);
  reader.number("cluster_y", sky.cluster_y, -1.0, 2.0);
}

void read_sky(const Json& value, const std::string& file, SkyScene& sky) {
  ObjectReader reader(value, file, "sky");
  reader.number("sky_e_per_s", sky.sky_e_per_s, 0.0, 1e6);
  reader.number("gradient", sky.gradient, 0.0, 1.5);
  reader.number("gradient_angle_deg", sky.gradient_angle_deg, -360.0, 360.0);
  reader.number("gradient_drift", sky.gradient_drift, -10.0, 10.0);
  reader.number("sky_rise", sky.sky_rise, -1.9, 1.9);
  reader.number("cloud_brightening", sky.cloud_brightening, 0.0, 10.0);
  reader.rgb("sky_colour", sky.sky_colour, 0.0, 10.0);
  reader.whole("stars", sky.stars, 0, 1000000);
  reader.number("brightest_e_per_s", sky.brightest_e_per_s, 1e-3, 1e9);
  reader.number("magnitude_slope", sky.magnitude_slope, 0.0, 1.0);
  reader.number("magnitude_range", sky.magnitude_range, 0.0, 20.0);
  reader.number("colour_sd", sky.colour_sd, 0.0, 1.0);
  read_galaxy(reader, sky);
  read_cluster(reader, sky);
  reader.number("ra_deg", sky.ra_deg, 0.0, 360.0);
  reader.number("dec_deg", sky.dec_deg, -89.0, 89.0);
  reader.number("zero_point_mag", sky.zero_point_mag, 0.0, 40.0);
  reader.finish();
}

void read_filters(ObjectReader& reader, Scene& scene) {
  std::string single;
  if (reader.has("filter") && reader.has("filters")) {
    reader.refuse("filter", "left out when \"filters\" is given");
  }
  if (reader.has("filter")) {
    reader.text("filter", single);
    scene.filters = {single};
  } else {
    (void)reader.child("filter");
  }
  reader.texts("filters", scene.filters);
  if (scene.filters.empty()) reader.refuse("filters", "a list with at least one name");
}

void read_seed(ObjectReader& reader, std::uint64_t& seed) {
  const Json* value = reader.child("seed");
  if (value == nullptr) return;
  if (!value->is_number_unsigned()) reader.refuse("seed", "a whole number >= 0");
  seed = value->get<std::uint64_t>();
}

void read_calibration(ObjectReader& reader, Scene& scene) {
  reader.whole("bias", scene.bias, 0, 5000);
  reader.whole("darks", scene.darks, 0, 5000);
  reader.number("dark_exposure_s", scene.dark_exposure_s, 0.0, 7200.0);
  reader.number("dark_cosmic_rays", scene.dark_cosmic_rays, 0.0, 1e4);
  reader.whole("flats", scene.flats, 0, 5000);
  reader.number("flat_level_share", scene.flat_level_share, 0.0, 2.0);
  reader.number("flat_drift", scene.flat_drift, 0.0, 0.5);
  reader.number("flat_exposure_s", scene.flat_exposure_s, 1e-4, 600.0);
  reader.whole("flat_darks", scene.flat_darks, 0, 5000);
}

}  // namespace

Scene parse_scene(std::string_view json, std::string_view name) {
  const Json root = parse_strict(json, name);
  const std::string file(name);
  Scene scene;
  scene.name = file;
  ObjectReader reader(root, file, "");
  reader.text("name", scene.name);
  reader.text("object", scene.object);
  reader.text("camera", scene.camera);
  reader.text("telescope", scene.telescope);
  read_filters(reader, scene);
  read_seed(reader, scene.seed);
  reader.text("start", scene.start);
  if (!is_iso_moment(scene.start)) reader.refuse("start", "like \"2031-03-14T20:30:00\"");
  reader.number("spacing_s", scene.spacing_s, 0.0, 1e6);
  read_calibration(reader, scene);
  reader.texts("omit", scene.omit);
  if (const Json* value = reader.child("sensor")) read_sensor(*value, file, scene.sensor);
  if (const Json* value = reader.child("optics")) read_optics(*value, file, scene.optics);
  if (const Json* value = reader.child("sky")) read_sky(*value, file, scene.sky);
  const Json* lights = reader.child("lights");
  read_lights(lights != nullptr ? *lights : Json::object(), file, scene);
  reader.finish();
  return scene;
}

}  // namespace coldframe::sim
