#include <fmt/format.h>

#include <cmath>

#include "coldframe/sim/render.hpp"

namespace coldframe::sim {
namespace {

/// Text that any file system takes: letters and digits, everything else a single dash.
std::string file_word(const std::string& text, bool lower) {
  std::string word;
  for (const char raw : text) {
    const bool upper_case = raw >= 'A' && raw <= 'Z';
    const bool keep = upper_case || (raw >= 'a' && raw <= 'z') || (raw >= '0' && raw <= '9');
    if (keep) {
      word.push_back(upper_case && lower ? static_cast<char>(raw - 'A' + 'a') : raw);
    } else if (!word.empty() && word.back() != '-') {
      word.push_back('-');
    }
  }
  while (!word.empty() && word.back() == '-') word.pop_back();
  return word;
}

std::string with_filter(const std::string& filter) {
  const std::string word = file_word(filter, false);
  return word.empty() ? std::string{} : "_" + word;
}

void plan_lights(const Scene& scene, std::vector<FramePlan>& plan) {
  const std::string object = scene.object.empty() ? "light" : file_word(scene.object, true);
  std::vector<std::pair<std::string, int>> numbers;
  for (std::size_t i = 0; i < scene.lights.size(); ++i) {
    const SubScene& sub = scene.lights[i];
    auto entry = numbers.begin();
    while (entry != numbers.end() && entry->first != sub.filter) ++entry;
    if (entry == numbers.end()) entry = numbers.insert(entry, {sub.filter, 0});
    FramePlan frame;
    frame.kind = FrameKind::light;
    frame.index = static_cast<int>(i);
    frame.filter = sub.filter;
    frame.path =
        fmt::format("lights/{}{}_{:04}.fits", object, with_filter(sub.filter), ++entry->second);
    frame.exposure_s = sub.exposure_s;
    frame.start_s = scene.spacing_s * static_cast<double>(i);
    plan.push_back(std::move(frame));
  }
}

/// A run of calibration frames; `clock` moves on by each exposure and its download.
void plan_series(std::vector<FramePlan>& plan, FrameKind kind, const std::string& stem, int count,
                 int first_index, double exposure_s, const std::string& filter, double& clock) {
  constexpr double download_s = 4.0;
  for (int i = 0; i < count; ++i) {
    FramePlan frame;
    frame.kind = kind;
    frame.index = first_index + i;
    frame.filter = filter;
    frame.path = fmt::format("{}_{:04}.fits", stem, i + 1);
    frame.exposure_s = exposure_s;
    frame.start_s = clock;
    plan.push_back(std::move(frame));
    clock += exposure_s + download_s;
  }
}

}  // namespace

std::vector<FramePlan> plan_frames(const Scene& scene) {
  std::vector<FramePlan> plan;
  plan_lights(scene, plan);
  double clock = scene.spacing_s * static_cast<double>(scene.lights.size()) + 600.0;
  plan_series(plan, FrameKind::dark, fmt::format("darks/dark_{:g}s", scene.dark_exposure_s),
              scene.darks, 0, scene.dark_exposure_s, "", clock);
  int flat = 0;
  for (const std::string& filter : scene.filters) {
    plan_series(plan, FrameKind::flat, "flats/flat" + with_filter(filter), scene.flats, flat,
                scene.flat_exposure_s, filter, clock);
    flat += scene.flats;
  }
  plan_series(plan, FrameKind::flat_dark,
              fmt::format("flat_darks/flat_dark_{:g}s", scene.flat_exposure_s), scene.flat_darks, 0,
              scene.flat_exposure_s, "", clock);
  plan_series(plan, FrameKind::bias, "bias/bias", scene.bias, 0, 0.0, "", clock);
  return plan;
}

}  // namespace coldframe::sim
