#include "pairing_rules.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "name_sense.hpp"

namespace coldframe::session {
namespace {

bool agree(const std::string& a, const std::string& b) { return a.empty() || b.empty() || a == b; }

bool agree(const std::optional<double>& a, const std::optional<double>& b, double tolerance) {
  return !a || !b || std::fabs(*a - *b) <= tolerance;
}

}  // namespace

bool same_sensor(const FrameInfo& a, const FrameInfo& b) {
  return a.size == b.size && a.planes == b.planes && a.binning_x == b.binning_x &&
         a.binning_y == b.binning_y && agree(a.camera, b.camera);
}

bool same_read_out(const FrameInfo& a, const FrameInfo& b) {
  return same_sensor(a, b) && agree(a.read_out, b.read_out) &&
         agree(a.gain_setting, b.gain_setting, 1e-6) &&
         agree(a.offset_setting, b.offset_setting, 1e-6) &&
         agree(a.gain_e_per_adu, b.gain_e_per_adu, 0.01);
}

bool same_exposure(const FrameInfo& a, const FrameInfo& b, const MatchTolerances& tolerances) {
  if (!a.exposure_s || !b.exposure_s) return true;
  const double longer = std::max(*a.exposure_s, *b.exposure_s);
  return std::fabs(*a.exposure_s - *b.exposure_s) <=
         std::max(tolerances.exposure_share * longer, 5e-4);
}

bool same_temperature(const FrameInfo& a, const FrameInfo& b, const MatchTolerances& tolerances) {
  return agree(a.sensor_temperature_c(), b.sensor_temperature_c(), tolerances.temperature_c);
}

bool same_angle(const std::optional<double>& a, const std::optional<double>& b, double tolerance) {
  return !a || !b || std::fabs(std::remainder(*a - *b, 360.0)) <= tolerance;
}

bool same_telescope(const FrameInfo& a, const FrameInfo& b, const MatchTolerances& tolerances) {
  return same_sensor(a, b) && agree(a.telescope, b.telescope) &&
         agree(a.focal_length_mm, b.focal_length_mm, 5.0) &&
         same_angle(a.rotator_deg, b.rotator_deg, tolerances.rotator_deg);
}

bool same_optics(const FrameInfo& a, const FrameInfo& b, const MatchTolerances& tolerances) {
  return same_telescope(a, b, tolerances) && filter_key(a.filter) == filter_key(b.filter);
}

bool belongs(const FrameInfo& a, const FrameInfo& b, FrameKind kind,
             const MatchTolerances& tolerances) {
  switch (kind) {
    case FrameKind::bias:
      return same_read_out(a, b) && same_temperature(a, b, tolerances);
    case FrameKind::dark:
    case FrameKind::flat_dark:
      return same_read_out(a, b) && same_exposure(a, b, tolerances) &&
             same_temperature(a, b, tolerances);
    case FrameKind::flat: {
      const bool one_night =
          !a.start_s || !b.start_s ||
          night_of(*a.start_s, a.site_longitude_deg) == night_of(*b.start_s, b.site_longitude_deg);
      return same_read_out(a, b) && same_optics(a, b, tolerances) && one_night;
    }
    default:
      return false;
  }
}

std::string plain_number(double value) {
  return fmt::format("{:g}", std::round(value * 1000.0) / 1000.0);
}

std::string label_of(FrameKind kind, const FrameInfo& info) {
  std::string label = kind == FrameKind::flat_dark ? "dark" : std::string(to_string(kind));
  if (kind == FrameKind::flat && !info.filter.empty()) label += fmt::format("_{}", info.filter);
  if (kind != FrameKind::bias && kind != FrameKind::flat && info.exposure_s) {
    label += fmt::format("_{}s", plain_number(*info.exposure_s));
  }
  if (const auto t = info.sensor_temperature_c(); t && kind != FrameKind::flat) {
    label += fmt::format("_{:.0f}C", *t);
  }
  for (char& c : label) {
    if (c == '/' || c == '\\' || static_cast<unsigned char>(c) < 0x20U) c = '-';
  }
  return label;
}

}  // namespace coldframe::session
