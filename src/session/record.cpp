#include "coldframe/session/record.hpp"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "background_json.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/session/next_night.hpp"
#include "coldframe/session/nights.hpp"
#include "coldframe/session/slope_origin.hpp"
#include "json_parts.hpp"
#include "solving_parts.hpp"

namespace coldframe::session {
using nlohmann::ordered_json;

namespace {

ordered_json camera_json(const CameraRecord& c) {
  return {{"name", c.name},
          {"read_out", c.read_out},
          {"gain_setting", or_null(c.gain_setting)},
          {"offset", or_null(c.offset)},
          {"binning", c.binning},
          {"gain_e_per_adu", or_null(c.gain_e_per_adu)},
          {"read_noise_e", or_null(c.read_noise_e)},
          {"saturation_adu", or_null(c.saturation_adu)},
          {"source", c.source}};
}

ordered_json master_json(const MasterRecord& m) {
  return {{"kind", m.kind},
          {"path", m.path},
          {"frames", m.frames},
          {"exposure_s", or_null(m.exposure_s)},
          {"temperature_c", or_null(m.temperature_c)},
          {"filter", m.filter},
          {"noise_adu", or_null(m.noise_adu)},
          {"notes", m.notes},
          {"library", m.library.empty() ? ordered_json(nullptr) : ordered_json(m.library)},
          {"age_days", or_null(m.age_days)},
          {"chosen_why", m.chosen_why},
          {"not_chosen", m.not_chosen}};
}

ordered_json estimate_json(const stars::Estimate& e) {
  return {{"value", e.value}, {"error", e.error}};
}

ordered_json session_field_json(const ResultRecord& r) {
  if (r.field_subs == 0) return nullptr;
  return {{"subs", r.field_subs},
          {"tilt_px", estimate_json(r.tilt_px)},
          {"tilt_direction_deg", r.tilt_direction_deg},
          {"curvature_px", estimate_json(r.curvature_px)},
          {"corner_elongation", estimate_json(r.corner_elongation)}};
}

ordered_json field_json(const stars::FieldShape& f) {
  if (f.stars == 0) return nullptr;
  const auto map = [](const std::array<std::optional<double>, 9>& cells) {
    auto list = ordered_json::array();
    for (const auto& cell : cells) list.push_back(or_null(cell));
    return list;
  };
  return {{"stars", f.stars},
          {"centre_fwhm_px", f.centre_fwhm_px},
          {"tilt_px", estimate_json(f.tilt_px)},
          {"tilt_direction_deg", f.tilt_direction_deg},
          {"curvature_px", estimate_json(f.curvature_px)},
          {"corner_elongation", estimate_json(f.corner_elongation)},
          {"fwhm_map_px", map(f.fwhm_map_px)},
          {"ellipticity_map", map(f.ellipticity_map)},
          {"direction_map_deg", map(f.direction_map_deg)}};
}

ordered_json hint_json(const HintRecord& h) {
  ordered_json evidence = ordered_json::object();
  for (const auto& [name, value] : h.evidence) evidence[name] = value;
  return {{"code", h.code},
          {"message", h.message},
          {"loss", h.loss},
          {"evidence", evidence},
          {"subs", h.subs}};
}

ordered_json lines_json(const std::optional<LineRecord>& lines) {
  if (!lines) return nullptr;
  auto matrix = ordered_json::array();
  for (const auto& row : lines->crosstalk.response) matrix.push_back({row[0], row[1]});
  return {{"from", lines->from},
          {"filter", lines->filter},
          {"lines", {lines->names[0], lines->names[1]}},
          {"crosstalk", matrix},
          {"crosstalk_source", lines->source},
          {"condition", lines->condition},
          {"error_correlation", lines->error_correlation}};
}

ordered_json growth_json(const ResultRecord& r) {
  if (r.growth.steps.empty()) return nullptr;
  auto steps = ordered_json::array();
  for (const auto& step : r.growth.steps) {
    steps.push_back({{"subs", step.subs}, {"noise", step.noise}, {"error", step.error}});
  }
  return {{"block_px", pipeline::depth_block_px},
          {"blocks", r.growth.blocks},
          {"steps", steps},
          {"slope", r.growth.slope},
          {"slope_error", r.growth.slope_error},
          {"doubling_mag", or_null(r.doubling_mag)}};
}

ordered_json result_json(const ResultRecord& r) {
  return {{"object", r.object},
          {"filter", r.filter},
          {"path", r.path},
          {"preview", r.preview},
          {"drizzle_path",
           r.drizzle_path.empty() ? ordered_json(nullptr) : ordered_json(r.drizzle_path)},
          {"drizzle_fwhm_px", or_null(r.drizzle_fwhm_px)},
          {"drizzle_noise_correlation", or_null(r.drizzle_noise_correlation)},
          {"flat_sky_path",
           r.flat_sky_path.empty() ? ordered_json(nullptr) : ordered_json(r.flat_sky_path)},
          {"reference", r.reference},
          {"grid_kept", r.grid_kept},
          {"subs_total", r.subs_total},
          {"subs_kept", r.subs_kept},
          {"exposure_s", r.exposure_s},
          {"planes", r.planes},
          {"demosaic", r.demosaic.empty() ? ordered_json(nullptr) : ordered_json(r.demosaic)},
          {"scale", r.scale},
          {"noise_per_px", or_null(r.noise_per_px)},
          {"noise_correlation", or_null(r.noise_correlation)},
          {"snr_of_ideal", or_null(r.snr_of_ideal)},
          {"depth_growth", growth_json(r)},
          {"unit", r.unit},
          {"fwhm_px", or_null(r.fwhm_px)},
          {"fwhm_arcsec", or_null(r.fwhm_arcsec)},
          {"field", session_field_json(r)},
          {"distortion", distortion_json(r.distortion)},
          {"line_separation", lines_json(r.lines)},
          {"zero_point_mag", nullptr},
          {"limiting_mag", nullptr},
          {"sky_mag_arcsec2", nullptr}};
}

// What solving adds; null where nothing was solved.
void add_solving_json(const ResultRecord& r, ordered_json& json) {
  const auto& solved = r.solved;
  const Depth depth = solved ? solved->depth : Depth{};
  if (depth.zero_point) json["zero_point_mag"] = depth.zero_point->magnitude.value;
  json["limiting_mag"] = or_null(depth.limiting_mag);
  json["sky_mag_arcsec2"] = or_null(depth.sky_mag_arcsec2);
  json["solution"] = solved ? solution_json(*solved) : ordered_json(nullptr);
  json["depth"] = solved && solved->solved() ? depth_json(depth) : ordered_json(nullptr);
  json["photometry_path"] =
      r.photometry_path.empty() ? ordered_json(nullptr) : ordered_json(r.photometry_path);
  json["extinction"] = r.extinction ? extinction_json(*r.extinction) : ordered_json(nullptr);
  json["background"] = planes_json(r.background);
  json["colour_balance"] =
      r.colour_balance ? balance_json(*r.colour_balance) : ordered_json(nullptr);
}

ordered_json nights_json(const std::vector<NightShare>& nights) {
  auto list = ordered_json::array();
  for (const auto& n : nights) {
    list.push_back({{"night", n.night},
                    {"folder", n.folder},
                    {"subs_total", n.subs_total},
                    {"subs_kept", n.subs_kept},
                    {"exposure_s", n.exposure_s},
                    {"snr_share", or_null(n.share)},
                    {"fwhm_px", or_null(n.fwhm_px)},
                    {"fwhm_arcsec", or_null(n.fwhm_arcsec)},
                    {"sky_per_s", or_null(n.sky_per_s)},
                    {"transparency", or_null(n.transparency)}});
  }
  return list;
}

ordered_json slope_json(const SlopeOrigin& s) {
  if (!s.told) return nullptr;
  ordered_json json = {{"subs", s.subs},
                       {"multiplied", {s.multiplied.x, s.multiplied.y}},
                       {"multiplied_error", s.multiplied_error},
                       {"sky", {s.sky.x, s.sky.y}},
                       {"sky_error", s.sky_error},
                       {"leak", nullptr},
                       {"leak_error", nullptr}};
  if (s.level_told) {
    json["leak"] = {s.leak.x, s.leak.y};
    json["leak_error"] = s.leak_error;
  }
  return json;
}

ordered_json next_night_json(const NextNight& night) {
  ordered_json json = {{"limits", ordered_json::array()}, {"actions", ordered_json::array()}};
  for (const auto& l : night.limits) {
    json["limits"].push_back({{"code", l.code},
                              {"fault", l.fault},
                              {"message", l.message},
                              {"snr_loss", or_null(l.snr_loss)},
                              {"width_arcsec", or_null(l.width_arcsec)},
                              {"width_px", or_null(l.width_px)}});
  }
  for (const auto& a : night.actions) {
    json["actions"].push_back({{"code", a.code}, {"text", a.text}, {"gain_mag", a.gain_mag}});
  }
  return json;
}

ordered_json trails_json(const std::vector<stack::Trail>& trails) {
  auto list = ordered_json::array();
  for (const auto& t : trails) {
    list.push_back({{"x1", t.x1},
                    {"y1", t.y1},
                    {"x2", t.x2},
                    {"y2", t.y2},
                    {"width_px", t.width_px},
                    {"significance", t.significance},
                    {"kind", stack::to_string(t.kind)}});
  }
  return list;
}

ordered_json transform_source(const SubRecord& s) {
  if (!s.transform) return nullptr;
  return s.transform_given ? "file" : "stars";
}

ordered_json sub_json(const SubRecord& s) {
  return {{"path", s.path},
          {"result", s.result},
          {"camera", s.camera},
          {"masters", s.masters},
          {"night", s.night},
          {"start", s.start},
          {"exposure_s", or_null(s.exposure_s)},
          {"filter", s.filter},
          {"kept", s.kept},
          {"reason", s.reason},
          {"stars", or_null(s.stars)},
          {"fwhm_px", or_null(s.fwhm_px)},
          {"fwhm_arcsec", or_null(s.fwhm_arcsec)},
          {"ellipticity", or_null(s.ellipticity)},
          {"position_angle_deg", or_null(s.position_angle_deg)},
          {"sky_per_s", or_null(s.sky_per_s)},
          {"noise_per_px", or_null(s.noise_per_px)},
          {"row_noise", or_null(s.row_noise)},
          {"row_noise_left", or_null(s.row_noise_left)},
          {"column_noise", or_null(s.column_noise)},
          {"column_noise_left", or_null(s.column_noise_left)},
          {"transparency", or_null(s.transparency)},
          {"weight", or_null(s.weight)},
          {"transform", s.transform ? transform_json(*s.transform) : ordered_json(nullptr)},
          {"transform_source", transform_source(s)},
          {"matched_stars", or_null(s.matched_stars)},
          {"registered_through", s.registered_through.empty() ? ordered_json(nullptr)
                                                              : ordered_json(s.registered_through)},
          {"residual_px", or_null(s.residual_px)},
          {"set_up", s.set_up},
          {"residual_vectors", residuals_json(s.residuals)},
          {"trails", trails_json(s.trails)},
          {"clipped_low", or_null(s.clipped_low)},
          {"clipped_high", or_null(s.clipped_high)},
          {"contribution", or_null(s.contribution)},
          {"cosmic_ray_pixels", or_null(s.cosmic_ray_pixels)},
          {"rule", s.rule.empty() ? ordered_json(nullptr) : ordered_json(s.rule)},
          {"rule_value", or_null(s.rule_value)},
          {"rule_limit", or_null(s.rule_limit)},
          {"unit", s.unit},
          {"fwhm_error_px", or_null(s.fwhm_error_px)},
          {"ellipticity_error", or_null(s.ellipticity_error)},
          {"transparency_error", or_null(s.transparency_error)},
          {"noise_per_s", or_null(s.noise_per_s)},
          {"stars_equal_depth", or_null(s.stars_equal_depth)},
          {"snr_share", or_null(s.snr_share)},
          {"arcsec_per_px", or_null(s.arcsec_per_px)},
          {"east_deg", or_null(s.east_deg)},
          {"airmass", or_null(s.airmass)},
          {"altitude_deg", or_null(s.altitude_deg)},
          {"moon_altitude_deg", or_null(s.moon_altitude_deg)},
          {"moon_phase", or_null(s.moon_phase)},
          {"moon_separation_deg", or_null(s.moon_separation_deg)},
          {"sun_altitude_deg", or_null(s.sun_altitude_deg)},
          {"focus_position", or_null(s.focus_position)},
          {"focus_temperature_c", or_null(s.focus_temperature_c)},
          {"rotator_deg", or_null(s.rotator_deg)},
          {"sensor_temperature_c", or_null(s.sensor_temperature_c)},
          {"gradient_x", or_null(s.gradient_x)},
          {"gradient_y", or_null(s.gradient_y)},
          {"field", field_json(s.field)},
          {"wcs", s.wcs ? wcs_json(*s.wcs) : ordered_json(nullptr)}};
}

}  // namespace

ordered_json transform_json(const Transform& t) {
  const auto& m = t.matrix;
  ordered_json json = {{"model", to_string(t.model)},
                       {"matrix", {{m[0], m[1], m[2]}, {m[3], m[4], m[5]}, {m[6], m[7], m[8]}}},
                       {"direction", "sub->reference"},
                       {"polynomial", nullptr}};
  if (t.polynomial) {
    const auto& p = *t.polynomial;
    json["polynomial"] = {{"order", p.order},
                          {"centre", {p.centre.x, p.centre.y}},
                          {"scale", p.scale},
                          {"x", p.x},
                          {"y", p.y}};
  }
  return json;
}

std::optional<double> number_in(const nlohmann::json& object, const char* name) {
  const auto found = object.find(name);
  if (found == object.end() || !found->is_number()) return std::nullopt;
  return found->get<double>();
}

std::string json_text(const ordered_json& json) {
  // Names on disk may hold bytes that are no UTF-8: they are replaced, never a reason to fail.
  return json.dump(2, ' ', false, ordered_json::error_handler_t::replace) + "\n";
}

ordered_json warnings_json(const std::vector<Warning>& warnings) {
  auto list = ordered_json::array();
  for (const auto& w : warnings) {
    ordered_json evidence = ordered_json::object();
    for (const auto& [name, value] : w.evidence) evidence[name] = value;
    list.push_back(
        {{"code", w.code}, {"message", w.message}, {"files", w.files}, {"evidence", evidence}});
  }
  return list;
}

ordered_json left_out_json(const std::vector<LeftOut>& left_out) {
  auto list = ordered_json::array();
  for (const auto& l : left_out) {
    list.push_back({{"file", l.name}, {"why", l.why}, {"mend", l.mend}});
  }
  return list;
}

std::string record_json(const SessionRecord& record) {
  ordered_json json = {{"coldframe", version()}, {"schema", 1}, {"state", record.state}};
  for (const char* list : {"cameras", "masters", "warnings", "left_out", "results", "subs"}) {
    json[list] = ordered_json::array();
  }
  for (const auto& c : record.cameras) json["cameras"].push_back(camera_json(c));
  for (const auto& m : record.masters) json["masters"].push_back(master_json(m));
  json["folders"] = record.folders;
  json["warnings"] = warnings_json(record.warnings);
  json["left_out"] = left_out_json(record.left_out);
  for (std::size_t i = 0; i < record.results.size(); ++i) {
    json["results"].push_back(result_json(record.results[i]));
    add_solving_json(record.results[i], json["results"].back());
    if (record.state == "done") {
      json["results"].back()["next_night"] =
          next_night_json(next_night(record, static_cast<int>(i)));
    }
    json["results"].back()["sky_slope"] =
        slope_json(slope_origin(record.subs, static_cast<int>(i)));
    json["results"].back()["nights"] = nights_json(nights_of(record, static_cast<int>(i)));
  }
  for (const auto& s : record.subs) json["subs"].push_back(sub_json(s));
  json["hints"] = ordered_json::array();
  for (const auto& h : record.hints) json["hints"].push_back(hint_json(h));
  json["timings"] = ordered_json::array();
  for (const auto& t : record.timings) {
    json["timings"].push_back({{"stage", t.stage},
                               {"wall_s", t.wall_s},
                               {"cpu_s", t.cpu_s},
                               {"bytes_read", t.bytes_read},
                               {"bytes_written", t.bytes_written},
                               {"peak_memory_bytes", t.peak_memory_bytes}});
  }
  json["memory_bytes"] = record.memory_bytes;
  json["peak_memory_bytes"] = record.peak_memory_bytes;
  json["measured"] = record.measured;
  json["reused"] = record.reused;
  return json_text(json);
}

}  // namespace coldframe::session
