// The table of subs as CSV (RFC 4180 quoting).
#include <fmt/format.h>

#include "coldframe/session/record.hpp"

namespace coldframe::session {
namespace {

std::string csv_text(const std::string& text) {
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + "\"";
}

template <typename T>
std::string csv_number(const std::optional<T>& value) {
  return value ? fmt::format("{}", *value) : std::string();
}

struct Column {
  const char* name;
  std::optional<double> SubRecord::*value;
};

constexpr Column more_columns[] = {{"fwhm_error_px", &SubRecord::fwhm_error_px},
                                   {"ellipticity_error", &SubRecord::ellipticity_error},
                                   {"transparency_error", &SubRecord::transparency_error},
                                   {"noise_per_s", &SubRecord::noise_per_s},
                                   {"snr_share", &SubRecord::snr_share},
                                   {"airmass", &SubRecord::airmass},
                                   {"altitude_deg", &SubRecord::altitude_deg},
                                   {"moon_altitude_deg", &SubRecord::moon_altitude_deg},
                                   {"moon_phase", &SubRecord::moon_phase},
                                   {"moon_separation_deg", &SubRecord::moon_separation_deg},
                                   {"sun_altitude_deg", &SubRecord::sun_altitude_deg},
                                   {"focus_position", &SubRecord::focus_position},
                                   {"focus_temperature_c", &SubRecord::focus_temperature_c},
                                   {"rotator_deg", &SubRecord::rotator_deg},
                                   {"sensor_temperature_c", &SubRecord::sensor_temperature_c},
                                   {"gradient_x", &SubRecord::gradient_x},
                                   {"gradient_y", &SubRecord::gradient_y},
                                   {"rule_value", &SubRecord::rule_value},
                                   {"rule_limit", &SubRecord::rule_limit}};

}  // namespace

std::string subs_csv(const SessionRecord& record) {
  std::string text =
      "path,result,night,start,exposure_s,filter,kept,reason,stars,fwhm_px,fwhm_arcsec,ellipticity,"
      "position_angle_deg,sky_per_s,noise_per_px,transparency,weight,matched_stars,residual_px,"
      "trails,clipped_low,clipped_high,unit,rule,stars_equal_depth,tilt_px,curvature_px";
  for (const auto& column : more_columns) text += fmt::format(",{}", column.name);
  text += "\n";
  for (const auto& s : record.subs) {
    text += fmt::format(
        "{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{}", csv_text(s.path),
        s.result, s.night, s.start, csv_number(s.exposure_s), csv_text(s.filter),
        s.kept ? "yes" : "no", csv_text(s.reason), csv_number(s.stars), csv_number(s.fwhm_px),
        csv_number(s.fwhm_arcsec), csv_number(s.ellipticity), csv_number(s.position_angle_deg),
        csv_number(s.sky_per_s), csv_number(s.noise_per_px), csv_number(s.transparency),
        csv_number(s.weight), csv_number(s.matched_stars), csv_number(s.residual_px),
        s.trails.size(), csv_number(s.clipped_low), csv_number(s.clipped_high));
    const bool field = s.field.stars > 0;
    text += fmt::format(",{},{},{},{},{}", s.unit, s.rule, csv_number(s.stars_equal_depth),
                        field ? fmt::format("{}", s.field.tilt_px.value) : "",
                        field ? fmt::format("{}", s.field.curvature_px.value) : "");
    for (const auto& column : more_columns) text += fmt::format(",{}", csv_number(s.*column.value));
    text += "\n";
  }
  return text;
}

}  // namespace coldframe::session
