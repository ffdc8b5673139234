#include "group_reading.hpp"

#include <algorithm>
#include <cmath>

#include "sub_reader.hpp"

namespace coldframe::session {
namespace {

// Long subs yield to shorter ones about stars that they saturate.
int saturation_reach(const GroupState& group, const SubState& sub) {
  constexpr double shorter = 0.67;
  constexpr double widths = 2.0;  // beyond, 3 % of a star's light are left
  const double exposure = sub.info->exposure_s.value_or(0.0);
  const bool any = std::any_of(group.subs.begin(), group.subs.end(), [&](const SubState& other) {
    const double theirs = other.info->exposure_s.value_or(0.0);
    return other.kept && theirs > 0.0 && theirs < shorter * exposure;
  });
  return any ? static_cast<int>(std::ceil(widths * std::max(sub.measured.quality.fwhm_px, 2.0)))
             : 0;
}

}  // namespace

FrameReading plan_reading(const GroupState& group, const std::vector<std::size_t>& kept,
                          CombineContext& context) {
  FrameReading reading;
  auto& paths = reading.paths;
  std::size_t resident = 0;
  for (const auto i : kept) {
    paths.push_back(group.subs[i].path);
    if (context.inventory != nullptr) {
      resident += context.inventory->frames[group.subs[i].frame].resident_bytes;
    }
  }
  if (resident <= context.options.memory_bytes / 4) {
    reading.held_bytes = resident;
    return reading;
  }
  if (context.options.scratch.empty()) {
    context.record.warnings.push_back(
        {"compressed",
         "the compressed frames do not fit --memory: they are inflated again for every strip of "
         "the "
         "result; give --scratch a folder with room, or uncompress them",
         {}});
    return reading;
  }
  reading.scratch.emplace(context.options.scratch);
  for (std::size_t k = 0; k < kept.size(); ++k) {
    if (context.inventory->frames[group.subs[kept[k]].frame].resident_bytes == 0) continue;
    context.watch.check();
    paths[k] = reading.scratch->decode(paths[k]);
  }
  return reading;
}

std::vector<pipeline::CombineSub> combine_list(const GroupState& group,
                                               const std::vector<std::size_t>& kept,
                                               const FrameReading& reading) {
  std::vector<pipeline::CombineSub> list;
  for (std::size_t k = 0; k < kept.size(); ++k) {
    const auto& sub = group.subs[kept[k]];
    pipeline::CombineSub one;
    // A decoded copy is ours; only the owner's own file may change.
    one.open = sub_opener(reading.paths[k], *sub.info, reading.held_bytes > 0,
                          reading.paths[k] == sub.path ? sub.stamp : std::string());
    one.calibration = sub.calibration.get();
    one.transform = sub.to_canvas;
    one.scale = sub.scale.scale;
    one.surfaces = sub.surfaces;
    one.weights = sub.weights;
    one.exposure_s = sub.info->exposure_s.value_or(1.0);
    one.sky = &sub.measured.sky;
    one.trails = sub.trails;
    one.plane_offset = sub.plane_offset;
    if (!sub.measured.lines.empty()) one.lines = &sub.measured.lines;
    one.particles = sub.measured.particles;
    one.saturation_reach_px = saturation_reach(group, sub);
    list.push_back(std::move(one));
  }
  return list;
}

}  // namespace coldframe::session
