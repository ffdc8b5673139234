// A camera's figures for programs; units in the names, null where not measured.
#include <cmath>
#include <nlohmann/json.hpp>

#include "camera_notes.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/session/camera.hpp"
#include "json_parts.hpp"

namespace coldframe::session {
using nlohmann::ordered_json;
namespace {

ordered_json measured_or_null(bool measured, double value) {
  return measured && std::isfinite(value) ? ordered_json(value) : ordered_json(nullptr);
}

ordered_json noise_json(const sensor::ReadNoise& noise, bool measured, bool gain_known) {
  return {{"read_noise_adu", measured_or_null(measured, noise.adu)},
          {"read_noise_adu_error", measured_or_null(measured && !noise.is_bound, noise.error_adu)},
          {"read_noise_e", measured_or_null(measured && gain_known, noise.electrons)},
          {"read_noise_e_error",
           measured_or_null(measured && gain_known && !noise.is_bound, noise.error_e)},
          {"read_noise_is_upper_bound", noise.is_bound}};
}

ordered_json fit_json(const sensor::TransferFit& fit) {
  return {{"gain_e_per_adu", measured_or_null(fit.usable, fit.gain_e_per_adu)},
          {"gain_error", measured_or_null(fit.usable, fit.gain_error)},
          {"fit_from_adu", measured_or_null(fit.usable, fit.lowest_adu)},
          {"fit_to_adu", measured_or_null(fit.usable, fit.highest_adu)},
          {"fit_points", fit.points},
          {"fit_chi2_per_freedom", measured_or_null(fit.points > 1, fit.chi2_per_freedom)},
          {"neighbour_correlation", measured_or_null(fit.usable, fit.correlation_excess)}};
}

const char* use_name(sensor::PointUse use) {
  switch (use) {
    case sensor::PointUse::fitted:
      return "fitted";
    case sensor::PointUse::too_bright:
      return "above-range";
    case sensor::PointUse::bent:
      return "full-well";
    case sensor::PointUse::too_dim:
      return "too-dim";
  }
  return "";
}

ordered_json points_json(const CameraMeasurement& m) {
  auto list = ordered_json::array();
  for (const auto& p : m.points) {
    list.push_back({{"pair", p.pair},
                    {"site", p.site},
                    {"signal_adu", p.signal_adu},
                    {"variance_adu2", p.variance_adu2},
                    {"variance_error_adu2", p.error_adu2},
                    {"pixels", p.pixels},
                    {"use", use_name(p.use)}});
  }
  return list;
}

ordered_json pairs_json(const CameraMeasurement& m) {
  auto list = ordered_json::array();
  for (const auto& p : m.pairs) {
    list.push_back({{"first", p.first},
                    {"second", p.second},
                    {"filter", p.filter},
                    {"exposure_s", or_null(p.exposure_s)},
                    {"signal_adu", p.signal_adu},
                    {"light_ratio", p.light_ratio},
                    {"usable_share", p.usable_share}});
  }
  return list;
}

ordered_json darks_json(const CameraMeasurement& m) {
  auto list = ordered_json::array();
  const bool known = m.fit.usable;
  const double gain = m.fit.gain_e_per_adu;
  for (const auto& d : m.dark_currents) {
    list.push_back(
        {{"temperature_c", or_null(d.temperature_c)},
         {"dark_current_e_per_s", measured_or_null(known, d.adu_per_s * gain)},
         {"dark_current_e_per_s_error", measured_or_null(known, d.error_adu_per_s * gain)},
         {"dark_current_adu_per_s", d.adu_per_s},
         {"dark_current_adu_per_s_error", d.error_adu_per_s},
         {"from", d.method == sensor::DarkMethod::level ? "level" : "noise"},
         {"exposures", d.exposures},
         {"longest_s", d.longest_s}});
  }
  return list;
}

ordered_json linearity_json(const CameraMeasurement& m) {
  using Status = sensor::Linearity::Status;
  const auto& l = m.linearity;
  const bool measured = l.status == Status::measured;
  auto levels = ordered_json::array();
  for (std::size_t i = 0; i < m.light_levels.size(); ++i) {
    levels.push_back({{"exposure_s", m.light_levels[i].exposure_s},
                      {"signal_adu", m.light_levels[i].signal_adu},
                      {"deviation", measured_or_null(measured, l.departures[i])}});
  }
  return {{"status", measured                                 ? "measured"
                     : l.status == Status::light_not_constant ? "light-not-constant"
                                                              : "too-few-exposures"},
          {"largest_deviation", measured_or_null(measured, l.largest)},
          {"largest_at_adu", measured_or_null(measured, l.largest_at_adu)},
          {"mean_deviation", measured_or_null(measured, l.mean)},
          {"from_adu", measured_or_null(measured, l.lowest_adu)},
          {"to_adu", measured_or_null(measured, l.highest_adu)},
          {"lamp_spread", l.lamp_spread},
          {"levels", levels}};
}

ordered_json sites_json(const CameraMeasurement& m) {
  auto list = ordered_json::array();
  for (std::size_t s = 0; s < m.sites.size(); ++s) {
    ordered_json site = {
        {"x", s & 1U}, {"y", s >> 1U}, {"colour", site_name(m.cfa, static_cast<int>(s))}};
    site.update(fit_json(m.sites[s]));
    site.update(noise_json(m.site_noise[s], !m.dark_source.empty(), m.sites[s].usable));
    list.push_back(site);
  }
  return list;
}

ordered_json one_camera(const CameraMeasurement& m) {
  ordered_json json = {
      {"name", m.camera},
      {"read_out", m.read_out},
      {"gain_setting", or_null(m.gain_setting)},
      {"offset", or_null(m.offset_setting)},
      {"binning", m.binning},
      {"width", m.size.width},
      {"height", m.size.height},
      {"mosaic", std::string(to_string(m.cfa))},
      {"frames", {{"bias", m.bias_frames}, {"dark", m.dark_frames}, {"flat", m.flat_frames}}},
      {"header_gain_e_per_adu", or_null(m.header_gain_e_per_adu)}};
  json.update(fit_json(m.fit));
  json.update(noise_json(m.read_noise, !m.dark_source.empty(), m.fit.usable));
  json["read_noise_from"] = m.dark_source;
  json["dark_level_adu"] = measured_or_null(!m.dark_source.empty(), m.zero_adu);
  json["code_step_adu"] = m.codes.step;
  json["code_step_top_adu"] = m.codes.step_high;
  json["lossy_codes"] = m.codes.lossy;
  json["saturation_adu"] = m.saturation_adu;
  json["saturation_source"] = m.saturation_source;
  json["full_well_e"] = or_null(m.full_well_e);
  json["prnu"] = or_null(m.pattern.prnu);
  json["dsnu_adu"] = measured_or_null(!m.dark_source.empty(), m.pattern.dsnu_adu);
  json["dsnu_e"] = measured_or_null(m.fit.usable, m.pattern.dsnu_adu * m.fit.gain_e_per_adu);
  json["dark_currents"] = darks_json(m);
  json["dark_doubling_c"] = m.doubling ? ordered_json(m.doubling->kelvin) : ordered_json(nullptr);
  json["dark_doubling_c_error"] =
      m.doubling ? ordered_json(m.doubling->error_kelvin) : ordered_json(nullptr);
  json["odd_pixel_share"] = measured_or_null(m.hot_exposure_s > 0.0, m.hot_share);
  json["linearity"] = linearity_json(m);
  json["sites"] = sites_json(m);
  json["pairs"] = pairs_json(m);
  json["points"] = points_json(m);
  json["notes"] = m.notes;
  json["more_frames_would_add"] = m.advice;
  return json;
}

}  // namespace

std::string camera_json(const CameraOutcome& outcome) {
  ordered_json json = {{"coldframe", std::string(version())},
                       {"cameras", ordered_json::array()},
                       {"left_out", ordered_json::array()}};
  for (const auto& camera : outcome.cameras) json["cameras"].push_back(one_camera(camera));
  for (const auto& file : outcome.left_out) {
    json["left_out"].push_back({{"file", file.name}, {"why", file.why}, {"mend", file.mend}});
  }
  return json.dump(2, ' ', false, ordered_json::error_handler_t::replace) + "\n";
}

}  // namespace coldframe::session
