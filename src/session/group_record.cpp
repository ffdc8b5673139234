// What the record says of a group and its subs.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/statistics.hpp"
#include "group_work.hpp"

namespace coldframe::session {
namespace {

// The middle of an estimate over many subs; its error that of a median, from their scatter.
stars::Estimate median_of(const std::vector<double>& values, double single_error) {
  const double scatter = values.size() > 2 ? robust_sigma(values) : single_error;
  return {median(values), 1.2533 * scatter / std::sqrt(static_cast<double>(values.size()))};
}

// The tilt is a vector: components first, so that noise does not add up to a tilt.
void summarise_field(const GroupState& group, ResultRecord& row) {
  std::vector<double> x, y, tilt_error, curvature, curvature_error, corner, corner_error;
  for (const auto& sub : group.subs) {
    const auto& field = sub.details.field;
    if (!sub.kept || field.stars == 0) continue;
    const double angle = field.tilt_direction_deg * std::numbers::pi / 180.0;
    x.push_back(field.tilt_px.value * std::cos(angle));
    y.push_back(field.tilt_px.value * std::sin(angle));
    tilt_error.push_back(field.tilt_px.error);
    curvature.push_back(field.curvature_px.value);
    curvature_error.push_back(field.curvature_px.error);
    corner.push_back(field.corner_elongation.value);
    corner_error.push_back(field.corner_elongation.error);
  }
  row.field_subs = static_cast<int>(x.size());
  if (x.empty()) return;
  const auto along = median_of(x, median(tilt_error));
  const auto up = median_of(y, median(tilt_error));
  row.tilt_px = {std::hypot(along.value, up.value),
                 std::sqrt(0.5 * (along.error * along.error + up.error * up.error))};
  const double angle = std::atan2(up.value, along.value) * 180.0 / std::numbers::pi;
  row.tilt_direction_deg = angle < 0.0 ? angle + 360.0 : angle;
  row.curvature_px = median_of(curvature, median(curvature_error));
  row.corner_elongation = median_of(corner, median(corner_error));
}

void note_circumstances(const SubState& sub, SubRecord& row) {
  const auto& info = *sub.info;
  row.airmass = info.airmass;
  row.focus_position = info.focus_position;
  row.focus_temperature_c = info.focus_temperature_c;
  row.rotator_deg = info.rotator_deg;
  row.sensor_temperature_c = info.sensor_temperature_c();
  row.arcsec_per_px = info.arcsec_per_px();
  row.east_deg = info.wcs_east_deg;
  if (!sub.details.sky) return;
  const auto& sky = *sub.details.sky;
  if (sky.airmass) row.airmass = sky.airmass;
  row.altitude_deg = sky.altitude_deg;
  row.moon_altitude_deg = sky.moon_altitude_deg;
  row.moon_phase = sky.moon_phase;
  row.moon_separation_deg = sky.moon_separation_deg;
  row.sun_altitude_deg = sky.sun_altitude_deg;
}

// In the unit of the calibrated frames, like the noise.
void note_line_noise(const SubState& sub, SubRecord& row) {
  const auto& lines = sub.measured.lines;
  if (lines.row_noise.measured) {
    row.row_noise = sub.line_unit * lines.row_noise.before_adu;
    row.row_noise_left = sub.line_unit * lines.row_noise.after_adu;
  }
  if (lines.column_noise.measured) {
    row.column_noise = sub.line_unit * lines.column_noise.before_adu;
    row.column_noise_left = sub.line_unit * lines.column_noise.after_adu;
  }
}

void note_figures(const SubState& sub, SubRecord& row) {
  const auto& info = *sub.info;
  const auto& q = sub.measured.quality;
  row.stars = q.stars;
  if (sub.measured.searched_particles) {
    row.cosmic_ray_pixels = static_cast<int>(sub.measured.particles.size());
  }
  row.noise_per_px = q.noise_per_px;
  note_line_noise(sub, row);
  if (sub.calibration) row.unit = to_string(sub.calibration->unit);
  if (info.exposure_s && *info.exposure_s > 0.0) {
    row.sky_per_s = q.sky_level / *info.exposure_s;
    row.noise_per_s = q.noise_per_px / *info.exposure_s;
  }
  if (q.fitted > 0) {
    row.fwhm_px = q.fwhm_px;
    row.ellipticity = q.ellipticity;
    row.position_angle_deg = q.angle_deg;
    if (q.fitted > 2) row.fwhm_error_px = q.fwhm_error_px;
    if (q.fitted > 2) row.ellipticity_error = q.ellipticity_error;
    if (const auto scale = info.arcsec_per_px()) row.fwhm_arcsec = q.fwhm_px * *scale;
  }
  if (sub.transparency > 0.0) row.transparency = sub.transparency;
  if (sub.transparency > 0.0 && sub.scale.scale > 0.0) {
    row.transparency_error = sub.transparency * sub.scale.error / sub.scale.scale;
  }
  if (sub.details.stars_equal_depth > 0) row.stars_equal_depth = sub.details.stars_equal_depth;
  if (sub.kept && sub.details.snr_share > 0.0) row.snr_share = sub.details.snr_share;
  if (sub.match.status == align::MatchStatus::matched) {
    row.transform = sub.match.transform;
    row.matched_stars = static_cast<int>(sub.match.pairs.size());
    row.registered_through = sub.through;
    row.transform_given = sub.given.has_value();
    row.residual_px = sub.match.rms_px;
    row.residuals = sub.residuals;
    row.frame = sub.measured.frame;
  }
  row.field = sub.details.field;
  if (sub.details.gradient) {
    row.gradient_x = sub.details.gradient->x;
    row.gradient_y = sub.details.gradient->y;
  }
}

}  // namespace

ResultRecord result_row(const GroupState& group) {
  ResultRecord row;
  row.object = group.object;
  row.filter = group.filter;
  row.planes = group.planes;
  row.distortion = group.distortion;
  row.subs_total = static_cast<int>(group.subs.size());
  for (const auto& sub : group.subs) {
    if (!sub.kept) continue;
    ++row.subs_kept;
    row.exposure_s += sub.info->exposure_s.value_or(0.0);
  }
  summarise_field(group, row);
  return row;
}

void record_subs(const GroupState& group, int result, const CalibrationStore* store,
                 SessionRecord& record) {
  for (const auto& sub : group.subs) {
    SubRecord row;
    const auto& info = *sub.info;
    row.path = sub.name;
    row.result = result;
    row.set_up = static_cast<int>(sub.set_up);
    row.filter = group.filter;
    row.kept = sub.kept;
    row.reason = sub.reason;
    row.rule = sub.decision.rule;
    row.rule_value = sub.decision.value;
    row.rule_limit = sub.decision.limit;
    row.exposure_s = info.exposure_s;
    row.start = info.start_s ? iso_from_seconds(*info.start_s) : "";
    row.night = info.start_s ? night_of(*info.start_s, info.site_longitude_deg) : "";
    if (store != nullptr) {
      row.camera = store->camera(sub.frame);
      row.masters = store->masters_of(sub.frame);
    }
    note_circumstances(sub, row);
    if (sub.usable) {
      row.to_canvas = sub.to_canvas;
      row.preview_file = sub.cache_file;
      row.preview_bin = sub.measured.preview_bin;
    }
    if (sub.usable && sub.measured.quality.status != stars::QualityStatus::no_sky) {
      note_figures(sub, row);
    }
    if (sub.kept && !sub.weights.empty()) row.weight = sub.weights[sub.weights.size() / 2];
    record.subs.push_back(std::move(row));
  }
}

}  // namespace coldframe::session
