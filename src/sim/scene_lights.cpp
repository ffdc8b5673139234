#include "sim/scene_lights.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"
#include "sim/noise.hpp"

namespace coldframe::sim {
namespace {

constexpr double far = 1e5;  ///< px, more than any sensor

/// What a group of lights shares.
struct Group {
  SubScene common;
  std::string filter;
  int count = 24;
  double seeing_sd = 0.15;              ///< px
  double dither_px = 10.0;              ///< shifts are uniform within +- this
  double drift_x = 0.0, drift_y = 0.0;  ///< over the whole group
  double rotation_total_deg = 0.0;      ///< from -half to +half
  int flip_at = -1;
  double transparency_sd = 0.0;
  std::vector<Json> overrides;
};

/// Keys that a group and an override have in common.
void read_sub(ObjectReader& reader, SubScene& sub) {
  reader.number("exposure_s", sub.exposure_s, 1e-3, 7200.0);
  reader.number("seeing_fwhm_px", sub.seeing_fwhm_px, 1.0, 40.0);
  reader.number("smear_px", sub.smear_px, 0.0, 400.0);
  reader.number("smear_angle_deg", sub.smear_angle_deg, -360.0, 360.0);
  reader.number("jump_px", sub.jump_px, 0.0, 400.0);
  reader.number("jump_share", sub.jump_share, 0.0, 1.0);
  reader.number("jump_angle_deg", sub.jump_angle_deg, -360.0, 360.0);
  reader.number("transparency", sub.transparency, 0.0, 1.5);
  reader.number("sky_factor", sub.sky_factor, 0.0, 1e4);
  reader.whole("trails", sub.trails, 0, 100);
  reader.number("trail_e_per_px", sub.trail_e_per_px, 0.0, 1e6);
  reader.number("trail_fwhm_px", sub.trail_fwhm_px, 0.5, 100.0);
  reader.number("trail_wing_share", sub.trail_wing_share, 0.0, 1.0);
  reader.number("cosmic_rays", sub.cosmic_rays, 0.0, 1e4);
}

Group read_group(const Json& value, const std::string& file, const std::string& where,
                 const std::string& filter) {
  Group group;
  group.filter = filter;
  ObjectReader reader(value, file, where);
  read_sub(reader, group.common);
  reader.text("filter", group.filter);
  reader.whole("count", group.count, 0, 5000);
  reader.number("seeing_sd", group.seeing_sd, 0.0, 10.0);
  reader.number("dither_px", group.dither_px, 0.0, 2000.0);
  reader.pair("drift_px", group.drift_x, group.drift_y, -far, far);
  reader.number("rotation_total_deg", group.rotation_total_deg, -360.0, 360.0);
  reader.whole("flip_at", group.flip_at, -1, 5000);
  reader.number("transparency_sd", group.transparency_sd, 0.0, 1.0);
  if (const Json* list = reader.child("overrides")) {
    if (!list->is_array()) reader.refuse("overrides", "a list of objects");
    group.overrides.assign(list->begin(), list->end());
  }
  reader.finish();
  return group;
}

/// Draws the subs of a group; `first` is the number of lights before it.
std::vector<SubScene> draw_group(const Group& group, std::uint64_t seed, std::size_t first) {
  std::vector<SubScene> subs;
  for (int i = 0; i < group.count; ++i) {
    RandomStream random(seed, stream::session_draws, first + static_cast<std::size_t>(i));
    const double phase = group.count > 1 ? static_cast<double>(i) / (group.count - 1) : 0.5;
    SubScene sub = group.common;
    sub.filter = group.filter;
    sub.seeing_fwhm_px = std::max(1.0, sub.seeing_fwhm_px + group.seeing_sd * random.normal());
    sub.shift_x = group.dither_px * (2.0 * random.uniform() - 1.0) + group.drift_x * (phase - 0.5);
    sub.shift_y = group.dither_px * (2.0 * random.uniform() - 1.0) + group.drift_y * (phase - 0.5);
    sub.rotation_deg = group.rotation_total_deg * (phase - 0.5);
    sub.flipped = group.flip_at >= 0 && i >= group.flip_at;
    sub.transparency *=
        std::clamp(1.0 - group.transparency_sd * std::abs(random.normal()), 0.05, 1.0);
    subs.push_back(sub);
  }
  return subs;
}

void apply_override(const Json& value, const std::string& file, const std::string& where,
                    std::vector<SubScene>& subs) {
  ObjectReader reader(value, file, where);
  int index = -1;
  const int last = static_cast<int>(subs.size()) - 1;
  if (!reader.has("index")) reader.refuse("index", "given, counted from 0");
  reader.whole("index", index, 0, std::max(0, last));
  if (last < 0) reader.refuse("index", "left out: the group has no lights");
  SubScene& sub = subs[static_cast<std::size_t>(index)];
  read_sub(reader, sub);
  reader.number("shift_x", sub.shift_x, -far, far);
  reader.number("shift_y", sub.shift_y, -far, far);
  reader.number("rotation_deg", sub.rotation_deg, -360.0, 360.0);
  reader.flag("flipped", sub.flipped);
  reader.finish();
}

void add_group(const Json& value, const std::string& file, const std::string& where,
               const std::string& filter, Scene& scene) {
  const Group group = read_group(value, file, where, filter);
  auto subs = draw_group(group, scene.seed, scene.lights.size());
  for (std::size_t i = 0; i < group.overrides.size(); ++i) {
    apply_override(group.overrides[i], file, fmt::format("{}.overrides[{}]", where, i), subs);
  }
  if (std::find(scene.filters.begin(), scene.filters.end(), group.filter) == scene.filters.end()) {
    throw Error(
        ErrorKind::usage, file,
        fmt::format("key '{}.filter' is \"{}\": must be one of \"filters\"", where, group.filter),
        "add it to \"filters\" or name another");
  }
  scene.lights.insert(scene.lights.end(), subs.begin(), subs.end());
}

}  // namespace

void read_lights(const Json& value, const std::string& file, Scene& scene) {
  scene.lights.clear();
  if (value.is_array()) {
    for (std::size_t i = 0; i < value.size(); ++i) {
      add_group(value[i], file, fmt::format("lights[{}]", i), scene.filters.front(), scene);
    }
    return;
  }
  // One group: the same for every filter, unless it names its own.
  if (value.is_object() && value.contains("filter")) {
    add_group(value, file, "lights", scene.filters.front(), scene);
    return;
  }
  for (const std::string& filter : scene.filters) add_group(value, file, "lights", filter, scene);
}

}  // namespace coldframe::sim
