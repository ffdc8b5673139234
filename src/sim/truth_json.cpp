// Schema of the truth file:
//   name, object, seed,
//   sensor {width, height, cfa, gain_e_per_adu (of stored codes), read_noise_e, offset_adu and
//           saturation_adu (stored codes), full_well_e, dark_e_per_s},
//   optics, galaxy, cluster: the scene's parameters,
//   stars  [[x, y, flux_e_per_s, red, green, blue, ra_deg, dec_deg, magnitude, cluster 0/1]]
//          on the sky grid,
//   subs   [{path, matrix (3x3 rows, sky -> sub), fwhm_px, fwhm_optical_px, ellipticity, sky_e,
//           noise_e, transparency, exposure_s, flipped, spoiled, trails [{x1..., in sub px}]}],
//   hot_pixels, telegraph_pixels, cold_pixels [[x, y, value]], strongest first, at most 2000.
#include <algorithm>
#include <nlohmann/json.hpp>

#include "coldframe/sim/render.hpp"
#include "sim/readout.hpp"

namespace coldframe::sim {
namespace {

using Json = nlohmann::ordered_json;

Json sensor_facts(const SensorScene& sensor) {
  const double shift = static_cast<double>(1 << sensor.left_shift);
  const double well_code = sensor.full_well_e / sensor.gain_e_per_adu + sensor.offset_adu;
  const double code = std::min(well_code, static_cast<double>(highest_code(sensor)));
  return {{"width", sensor.width},
          {"height", sensor.height},
          {"cfa", sensor.cfa == CfaPattern::none ? "none" : std::string(to_string(sensor.cfa))},
          {"gain_e_per_adu", sensor.gain_e_per_adu / shift},
          {"read_noise_e", sensor.read_noise_e},
          {"offset_adu", sensor.offset_adu * shift},
          {"saturation_adu", code * shift},
          {"full_well_e", sensor.full_well_e},
          {"dark_e_per_s", sensor.dark_e_per_s},
          {"channel_response", sensor.channel_response}};
}

Json optics_facts(const OpticsScene& optics) {
  return {{"focal_length_mm", optics.focal_length_mm},
          {"pixel_um", optics.pixel_um},
          {"psf_beta", optics.psf_beta},
          {"wing_share", optics.wing_share},
          {"vignetting", optics.vignetting},
          {"corner_fwhm_factor", optics.corner_fwhm_factor},
          {"tilt", optics.tilt},
          {"tilt_angle_deg", optics.tilt_angle_deg},
          {"corner_ellipticity", optics.corner_ellipticity}};
}

Json galaxy_facts(const Scene& scene) {
  const SkyScene& sky = scene.sky;
  return {{"x", sky.galaxy_x * (scene.sensor.width - 1)},
          {"y", sky.galaxy_y * (scene.sensor.height - 1)},
          {"flux_e_per_s", sky.galaxy_e_per_s},
          {"radius_px", sky.galaxy_radius_px},
          {"index", sky.galaxy_index},
          {"axis_ratio", sky.galaxy_axis_ratio},
          {"angle_deg", sky.galaxy_angle_deg},
          {"spiral_depth", sky.spiral_depth},
          {"halo_flux_e_per_s", sky.halo_e_per_s},
          {"halo_radius_px", sky.halo_radius_px},
          {"halo_axis_ratio", sky.halo_axis_ratio}};
}

Json cluster_facts(const Scene& scene) {
  const SkyScene& sky = scene.sky;
  return {{"x", sky.cluster_x * (scene.sensor.width - 1)},
          {"y", sky.cluster_y * (scene.sensor.height - 1)},
          {"stars", sky.cluster_stars},
          {"core_px", sky.cluster_core_px},
          {"tidal_px", sky.cluster_tidal_px}};
}

Json sub_facts(const TrueSub& sub) {
  const auto& m = sub.sky_to_sub.matrix;
  Json trails = Json::array();
  for (const TrueTrail& trail : sub.trails) {
    trails.push_back({{"x1", trail.x1},
                      {"y1", trail.y1},
                      {"x2", trail.x2},
                      {"y2", trail.y2},
                      {"peak_e", trail.peak_e},
                      {"fwhm_px", trail.fwhm_px},
                      {"wing_share", trail.wing_share}});
  }
  Json matrix = Json::array();
  for (std::size_t row = 0; row < 3; ++row) {
    matrix.push_back(Json::array({m[3 * row], m[3 * row + 1], m[3 * row + 2]}));
  }
  return {{"path", sub.path},
          {"matrix", matrix},
          {"fwhm_px", sub.fwhm_px},
          {"fwhm_optical_px", sub.fwhm_optical_px},
          {"ellipticity", sub.ellipticity},
          {"sky_e", sub.sky_e},
          {"noise_e", sub.noise_e},
          {"transparency", sub.transparency},
          {"exposure_s", sub.exposure_s},
          {"flipped", sub.flipped},
          {"spoiled", sub.spoiled},
          {"trails", trails}};
}

Json pixel_list(const std::vector<HotPixel>& pixels) {
  constexpr std::size_t most = 2000;
  Json list = Json::array();
  for (std::size_t i = 0; i < std::min(most, pixels.size()); ++i) {
    list.push_back(Json::array({pixels[i].x, pixels[i].y, pixels[i].e_per_s}));
  }
  return list;
}

}  // namespace

std::string truth_json(const Simulator& simulator) {
  const Scene& scene = simulator.scene();
  const Truth& truth = simulator.truth();
  Json root;
  root["name"] = scene.name;
  root["object"] = scene.object;
  root["seed"] = scene.seed;
  root["sensor"] = sensor_facts(scene.sensor);
  root["optics"] = optics_facts(scene.optics);
  root["galaxy"] = galaxy_facts(scene);
  root["cluster"] = cluster_facts(scene);
  root["subs"] = Json::array();
  for (const TrueSub& sub : truth.subs) root["subs"].push_back(sub_facts(sub));
  root["hot_pixel_count"] = truth.hot_pixels.size();
  root["hot_pixels"] = pixel_list(truth.hot_pixels);
  root["telegraph_pixels"] = pixel_list(truth.telegraph_pixels);
  root["cold_pixels"] = pixel_list(truth.cold_pixels);
  root["stars"] = Json::array();
  for (const TrueStar& star : truth.stars) {
    root["stars"].push_back(Json::array({star.x, star.y, star.flux_e_per_s, star.colour[0],
                                         star.colour[1], star.colour[2], star.ra_deg, star.dec_deg,
                                         star.magnitude, star.cluster ? 1 : 0}));
  }
  return root.dump(1) + "\n";
}

}  // namespace coldframe::sim
