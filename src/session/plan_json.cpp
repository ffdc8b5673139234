#include <nlohmann/json.hpp>

#include "coldframe/session/plan.hpp"
#include "json_parts.hpp"

namespace coldframe::session {
namespace {

using nlohmann::ordered_json;

ordered_json depth_json(const DepthRow& row) {
  return {{"hours", row.hours},
          {"subs", row.subs},
          {"star_mag_5_sigma", or_null(row.star_mag_5_sigma)},
          {"surface_mag_arcsec2_3_sigma", or_null(row.surface_mag_3_sigma)}};
}

ordered_json optics_json(const OpticsPlan& o) {
  return {
      {"focal_mm", o.focal_mm},
      {"focal_ratio", o.focal_ratio > 0.0 ? ordered_json(o.focal_ratio) : ordered_json(nullptr)},
      {"arcsec_per_px", o.arcsec_per_px},
      {"field_width_deg", or_null(o.field_width_deg)},
      {"field_height_deg", or_null(o.field_height_deg)},
      {"diffraction_fwhm_arcsec", or_null(o.diffraction_fwhm_arcsec)},
      {"dawes_arcsec", or_null(o.dawes_arcsec)},
      {"airy_disc_um", or_null(o.airy_disc_um)},
      {"focus_zone_um", or_null(o.focus_zone_um)},
      {"fwhm_arcsec", or_null(o.fwhm_arcsec)},
      {"fwhm_px", or_null(o.fwhm_px)}};
}

ordered_json sub_json(const Plan& plan) {
  if (!plan.sub) return nullptr;
  const auto& s = *plan.sub;
  return {{"exposure_s", s.seconds},
          {"sky_e_per_s", s.sky_e_per_s},
          {"noise_e", s.noise_e},
          {"read_noise_share", s.read_noise_share},
          {"saturating_mag", or_null(s.saturating_mag)},
          {"zero_point_mag", or_null(plan.wish.zero_point_mag)}};
}

ordered_json reducer_json(const ReducerRow& r, bool times) {
  ordered_json row = {{"factor", r.factor},
                      {"focal_ratio", r.focal_ratio},
                      {"arcsec_per_px", r.arcsec_per_px},
                      {"field_factor", r.field_factor},
                      {"exposure_per_pixel_factor", r.exposure_per_pixel_factor}};
  if (times) {
    row["sub_s"] = r.sub_s;
    row["star_time_factor"] = r.star_time_factor;
    row["surface_time_factor"] = r.surface_time_factor;
  }
  return row;
}

ordered_json night_json(const std::optional<NightPlan>& night) {
  if (!night) return nullptr;
  auto rows = ordered_json::array();
  for (const auto& row : night->rows) {
    rows.push_back({{"utc_s", row.utc_s},
                    {"sun_altitude_deg", or_null(row.sky.sun_altitude_deg)},
                    {"altitude_deg", or_null(row.sky.altitude_deg)},
                    {"airmass", or_null(row.sky.airmass)},
                    {"moon_altitude_deg", or_null(row.sky.moon_altitude_deg)},
                    {"moon_separation_deg", or_null(row.sky.moon_separation_deg)},
                    {"usable", row.usable}});
  }
  return {{"dark_hours", night->dark_hours},
          {"usable_hours", night->usable_hours},
          {"first_utc_s", or_null(night->first_utc_s)},
          {"last_utc_s", or_null(night->last_utc_s)},
          {"best_utc_s", or_null(night->best_utc_s)},
          {"best_altitude_deg", or_null(night->best_altitude_deg)},
          {"moon_phase", night->moon_phase},
          {"rows", rows}};
}

}  // namespace

std::string plan_json(const Plan& plan) {
  auto depth = ordered_json::array();
  for (const auto& row : plan.depth) depth.push_back(depth_json(row));
  auto reducer = ordered_json::array();
  for (const auto& row : plan.reducer) reducer.push_back(reducer_json(row, plan.sub.has_value()));
  const bool known = plan.optics.arcsec_per_px > 0.0;
  return json_text(
      {{"optics", known ? optics_json(plan.optics) : ordered_json(nullptr)},
       {"sub", sub_json(plan)},
       {"depth", depth},
       {"star_goal", plan.star_goal ? depth_json(*plan.star_goal) : ordered_json(nullptr)},
       {"surface_goal", plan.surface_goal ? depth_json(*plan.surface_goal) : ordered_json(nullptr)},
       {"reducer", reducer},
       {"night", night_json(plan.night)},
       {"earlier", plan.findings},
       {"sources", plan.sources},
       {"open", plan.missing}});
}

}  // namespace coldframe::session
