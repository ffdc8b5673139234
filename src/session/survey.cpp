#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <nlohmann/json.hpp>

#include "coldframe/core/version.hpp"
#include "coldframe/session/tools.hpp"
#include "json_parts.hpp"
#include "master_library.hpp"

namespace coldframe::session {
using nlohmann::ordered_json;

namespace {

std::string or_dash(const std::optional<double>& value, const char* unit) {
  return value ? fmt::format("{:g} {}", *value, unit) : std::string("-");
}

std::string set_name(const Survey& survey, const std::optional<std::size_t>& set) {
  return set ? survey.pairing.sets[*set].label : "none";
}

ordered_json optional_json(const std::optional<double>& value) {
  return value ? ordered_json(*value) : ordered_json(nullptr);
}

// Corners of the part in use, 0-based, the upper ones not included; null: all of the frame.
ordered_json area_json(const FrameInfo& info) {
  if (!info.image_area) return nullptr;
  const Rect& a = *info.image_area;
  return ordered_json::array({a.x0, a.y0, a.x1, a.y1});
}

ordered_json frame_json(const FrameEntry& frame) {
  const auto& info = frame.info;
  return {{"file", frame.name},
          {"kind", to_string(info.kind)},
          {"object", info.object},
          {"filter", info.filter},
          {"camera", info.camera},
          {"width", info.size.width},
          {"height", info.size.height},
          {"mosaic", to_string(info.cfa)},
          {"image_area", area_json(info)},
          {"binning", info.binning_x},
          {"start", info.start_text},
          {"exposure_s", optional_json(info.exposure_s)},
          {"temperature_c", optional_json(info.sensor_temperature_c())},
          {"gain_setting", optional_json(info.gain_setting)},
          {"offset", optional_json(info.offset_setting)},
          {"gain_e_per_adu", optional_json(info.gain_e_per_adu)},
          {"missing", info.missing}};
}

std::string group_text(const Survey& survey, const LightGroup& group) {
  const auto& first = survey.inventory.frames[group.lights.front()].info;
  std::string text =
      fmt::format("{}{}{}: {} lights", group.object.empty() ? "(no object)" : group.object,
                  group.filter.empty() ? "" : ", ", group.filter, group.lights.size());
  double total = 0.0;
  for (const auto light : group.lights) {
    total += survey.inventory.frames[light].info.exposure_s.value_or(0.0);
  }
  text += fmt::format(
      ", {:.1f} min in all, {} x {} px{}\n", total / 60.0, first.size.width, first.size.height,
      first.cfa == CfaPattern::none ? "" : fmt::format(", mosaic {}", to_string(first.cfa)));
  if (first.image_area) {
    text.insert(text.size() - 1,
                first.bias_section ? ", trimmed, overscan taken off" : ", trimmed");
  }
  std::map<std::string, int> plans;
  for (const auto light : group.lights) {
    const auto& plan = survey.pairing.lights[light];
    std::string line = fmt::format("dark {}, bias {}, flat {}", set_name(survey, plan.dark),
                                   set_name(survey, plan.bias), set_name(survey, plan.flat));
    if (plan.dark_scale != 1.0) line += fmt::format(" (dark rate x {:.3g})", plan.dark_scale);
    ++plans[line];
  }
  for (const auto& [line, count] : plans) text += fmt::format("  {:4d} with {}\n", count, line);
  return text;
}

}  // namespace

Survey survey_session(const std::vector<std::filesystem::path>& sessions,
                      const std::vector<SuppliedCard>& supplied, const MatchTolerances& tolerances,
                      const std::filesystem::path& masters, Threads threads, const Watch& watch) {
  Survey survey;
  survey.inventory = take_stock_of_folders(sessions, {}, supplied, threads, watch);
  if (!masters.empty()) {
    add_master_library(survey.inventory, masters, supplied, threads, watch);
  }
  survey.pairing = pair_with_pixels(survey.inventory, tolerances, threads, watch);
  return survey;
}

std::string survey_json(const Survey& survey) {
  ordered_json json = {{"coldframe", version()}, {"schema", 1}};
  json["frames"] = ordered_json::array();
  for (const auto& frame : survey.inventory.frames) json["frames"].push_back(frame_json(frame));
  json["sets"] = ordered_json::array();
  for (const auto& set : survey.pairing.sets) {
    auto files = ordered_json::array();
    for (const auto f : set.frames) files.push_back(survey.inventory.frames[f].name);
    json["sets"].push_back(
        {{"label", set.label},
         {"kind", to_string(set.kind)},
         {"subtract", set.subtract ? ordered_json(survey.pairing.sets[*set.subtract].label)
                                   : ordered_json(nullptr)},
         {"files", files}});
  }
  json["groups"] = ordered_json::array();
  for (const auto& group : survey.pairing.groups) {
    auto lights = ordered_json::array();
    for (const auto l : group.lights) {
      const auto& plan = survey.pairing.lights[l];
      const auto label = [&](const std::optional<std::size_t>& set) {
        return set ? ordered_json(survey.pairing.sets[*set].label) : ordered_json(nullptr);
      };
      lights.push_back({{"file", survey.inventory.frames[l].name},
                        {"dark", label(plan.dark)},
                        {"bias", label(plan.bias)},
                        {"dark_scale", plan.dark_scale},
                        {"flat", label(plan.flat)}});
    }
    json["groups"].push_back(
        {{"object", group.object}, {"filter", group.filter}, {"lights", lights}});
  }
  json["choices"] = ordered_json::array();
  for (const auto& choice : survey.pairing.choices) {
    json["choices"].push_back({{"kind", to_string(choice.kind)},
                               {"label", survey.pairing.sets[choice.set].label},
                               {"lights", choice.lights},
                               {"why", choice.why},
                               {"age_days", optional_json(choice.age_days)},
                               {"others", choice.others}});
  }
  auto warnings = survey.inventory.warnings;
  warnings.insert(warnings.end(), survey.pairing.warnings.begin(), survey.pairing.warnings.end());
  json["warnings"] = warnings_json(warnings);
  json["left_out"] = left_out_json(survey.inventory.left_out);
  return json_text(json);
}

std::string survey_text(const Survey& survey) {
  std::string text;
  for (const auto& group : survey.pairing.groups) text += group_text(survey, group);
  if (survey.pairing.groups.empty()) text += "no light frames\n";
  text += "calibration frames:\n";
  for (const auto& set : survey.pairing.sets) {
    const auto& info = survey.inventory.frames[set.frames.front()].info;
    text +=
        fmt::format("  {:4d} {:<24} {:>9} {:>8}{}\n", set.frames.size(), set.label,
                    or_dash(info.exposure_s, "s"), or_dash(info.sensor_temperature_c(), "C"),
                    set.from_library              ? "  library"
                    : set.kind == FrameKind::flat ? "  subtract " + set_name(survey, set.subtract)
                                                  : "");
  }
  if (survey.pairing.sets.empty()) text += "  none\n";
  if (!survey.pairing.choices.empty()) text += "why:\n";
  for (const auto& choice : survey.pairing.choices) {
    text += fmt::format("  {} for {} lights: {}\n", survey.pairing.sets[choice.set].label,
                        choice.lights, choice.why);
    for (const auto& other : choice.others) text += fmt::format("    not {}\n", other);
  }
  return text;
}

}  // namespace coldframe::session
