#include "coldframe/session/pairing.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "pairing_reasons.hpp"
#include "pairing_rules.hpp"
#include "set_choice.hpp"

namespace coldframe::session {
namespace {

// Dark current doubles every 5 to 7 C (Widenhorn et al. 2002, Proc. SPIE 4669, 193): up to three
// times the tolerance of 2 C a dark still takes away more than it adds.
constexpr double temperature_stretch = 3.0;

class Pairer {
 public:
  Pairer(const Inventory& inventory, const MatchTolerances& tolerances, const DarkKnowledge& darks)
      : inventory_(inventory),
        tolerances_(tolerances),
        choice_(inventory, result_.sets, tolerances, darks) {
    result_.lights.resize(inventory.frames.size());
  }

  Pairing run() {
    gather_sets();
    name_sets();
    pair_flats();
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      if (info(i).kind == FrameKind::light) pair_light(i);
    }
    group_lights();
    for (auto& [code, warning] : warnings_) result_.warnings.push_back(std::move(warning));
    explain_choices(inventory_, tolerances_, result_);
    return std::move(result_);
  }

 private:
  [[nodiscard]] const FrameInfo& info(std::size_t frame) const {
    return inventory_.frames[frame].info;
  }
  [[nodiscard]] const FrameInfo& set_info(std::size_t set) const { return choice_.set_info(set); }

  void warn(const std::string& code, const std::string& message, std::size_t frame) {
    auto& warning = warnings_[code + message];
    warning.code = code;
    warning.message = message;
    warning.files.push_back(inventory_.frames[frame].name);
  }

  void gather_sets() {
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      FrameKind kind = info(i).kind;
      if (kind == FrameKind::light || kind == FrameKind::unknown) continue;
      if (kind == FrameKind::flat_dark) kind = FrameKind::dark;
      if (inventory_.frames[i].library_master) {
        result_.sets.push_back({kind, {i}, "", {}, true});
        continue;
      }
      const auto home =
          std::find_if(result_.sets.begin(), result_.sets.end(), [&](const FrameSet& set) {
            return set.kind == kind && !set.from_library &&
                   inventory_.frames[set.frames.front()].folder == inventory_.frames[i].folder &&
                   belongs(info(set.frames.front()), info(i), kind, tolerances_);
          });
      if (home != result_.sets.end()) {
        home->frames.push_back(i);
      } else {
        result_.sets.push_back({kind, {i}, "", {}, false});
      }
    }
  }

  void name_sets() {
    std::map<std::string, int> used;
    for (auto& set : result_.sets) {
      set.label = label_of(set.kind, info(set.frames.front()));
      const int count = ++used[set.label];
      if (count > 1) set.label += fmt::format("_{}", count);
    }
  }

  void pair_flats() {
    for (std::size_t s = 0; s < result_.sets.size(); ++s) {
      if (result_.sets[s].kind != FrameKind::flat || result_.sets[s].from_library) continue;
      const auto& flat = set_info(s);
      choice_.serve(inventory_.frames[result_.sets[s].frames.front()].folder);
      auto subtract = choice_.matched_dark(flat);
      if (!subtract) subtract = choice_.matched_bias(flat);
      if (!subtract) subtract = choice_.bias_like_dark(flat);
      result_.sets[s].subtract = subtract;
      if (!subtract) {
        for (const auto frame : result_.sets[s].frames) {
          warn("flat-without-dark",
               "no dark of the same exposure and no bias fits these flats: their offset stays in "
               "and the correction comes out too weak; take 10 darks of the flats' exposure, or "
               "bias "
               "frames",
               frame);
        }
      }
    }
  }

  void pair_light(std::size_t i) {
    const auto& light = info(i);
    auto& plan = result_.lights[i];
    choice_.serve(inventory_.frames[i].folder);
    if (!light.is_calibrated) {
      pair_dark(i, plan);
      pair_flat(i, plan);
    }
  }

  void pair_dark(std::size_t i, LightCalibration& plan) {
    const auto& light = info(i);
    plan.dark = choice_.matched_dark(light);
    if (plan.dark) return;
    plan.bias = choice_.matched_bias(light);
    double zero_s = 0.0;
    const auto short_dark = plan.bias ? plan.bias : choice_.bias_like_dark(light);
    if (!plan.bias && short_dark) zero_s = set_info(*short_dark).exposure_s.value_or(0.0);
    auto scaled = short_dark ? choice_.scalable_dark(light, zero_s) : std::optional<ScaledDark>();
    if (scaled && scaled->set == *short_dark) scaled.reset();
    // A dark of the right exposure a few degrees off comes before one scaled in exposure, but
    // after one whose temperature can be followed.
    if (!scaled || scaled->temperature_factor == 1.0) {
      plan.dark = choice_.matched_dark(light, temperature_stretch);
    }
    if (plan.dark) {
      plan.bias.reset();
      warn_of_temperature(i, *plan.dark);
    } else if (scaled) {
      plan.bias = short_dark;
      plan.dark = scaled->set;
      plan.dark_scale = scaled->factor();
      plan.dark_scale_error = scaled->temperature_error;
      warn_of_scaling(i, *scaled);
    } else if (const auto why = choice_.refusal(light); !why.empty()) {
      plan.bias = short_dark;
      warn("dark-scaling-refused",
           why +
               ": its rate is not scaled, only the bias is subtracted and hot pixels are found "
               "from the lights themselves; take darks of the lights' exposure and temperature",
           i);
    } else {
      pair_without_dark(i, short_dark, plan);
    }
  }

  void warn_of_temperature(std::size_t i, std::size_t dark) {
    warn("dark-temperature",
         fmt::format(
             "the darks are further than {:g} C from these lights in temperature, for want of a "
             "nearer one {} is used; some dark current stays in or goes too far. Take darks at "
             "the "
             "lights' temperature",
             tolerances_.temperature_c, result_.sets[dark].label),
         i);
  }

  void warn_of_scaling(std::size_t i, const ScaledDark& scaled) {
    const auto& light = info(i);
    std::string how = fmt::format("the rate of {} is scaled by {:.3g}",
                                  result_.sets[scaled.set].label, scaled.factor());
    std::string wanted = plain_number(*light.exposure_s) + " s";
    if (scaled.temperature_factor != 1.0) {
      wanted += fmt::format(" at {:.0f} C", *light.sensor_temperature_c());
      how += fmt::format(
          " ({:.3g} for the exposure, {:.3g} +- {:.2g} for the temperature, as the "
          "darks of other temperatures show)",
          scaled.exposure_factor, scaled.temperature_factor,
          scaled.temperature_factor * scaled.temperature_error);
    }
    warn("dark-scaled",
         fmt::format("no dark of {} fits: {}; take darks of the lights' {} for the best result",
                     wanted, how,
                     scaled.temperature_factor != 1.0 ? "exposure and temperature" : "exposure"),
         i);
  }

  void pair_without_dark(std::size_t i, std::optional<std::size_t> short_dark,
                         LightCalibration& plan) {
    const auto& light = info(i);
    if (plan.bias) {
      warn(
          "no-dark",
          "no dark fits these lights in exposure and temperature: only the bias is subtracted, hot "
          "pixels are found from the lights themselves; take darks of the lights' exposure",
          i);
      return;
    }
    plan.bias = short_dark;
    if (plan.bias) {
      warn("short-dark-as-bias",
           fmt::format(
               "no dark of the lights' exposure and no bias: the {} s dark stands in for the "
               "bias, hot pixels are found from the lights themselves; take darks of {} s",
               plain_number(*set_info(*plan.bias).exposure_s),
               light.exposure_s ? plain_number(*light.exposure_s) : "the lights'"),
           i);
      return;
    }
    const bool any_dark = std::any_of(
        result_.sets.begin(), result_.sets.end(),
        [](const FrameSet& s) { return s.kind == FrameKind::dark || s.kind == FrameKind::bias; });
    warn(any_dark ? "dark-mismatch" : "no-dark",
         any_dark
             ? fmt::format(
                   "the darks at hand do not fit these lights ({}): nothing is subtracted; take "
                   "darks with the lights' settings",
                   nearest_miss(inventory_, result_.sets, light, FrameKind::dark, tolerances_))
             : "no darks and no bias: nothing is subtracted, hot pixels are found from the lights "
               "themselves; take darks with the lights' settings",
         i);
  }

  [[nodiscard]] std::string missed_flat(const FrameInfo& light) const {
    const auto miss = nearest_miss(inventory_, result_.sets, light, FrameKind::flat, tolerances_);
    return miss.empty() ? miss : " (" + miss + ")";
  }

  void pair_flat(std::size_t i, LightCalibration& plan) {
    const auto& light = info(i);
    plan.flat = choice_.flat(light);
    if (plan.flat) return;
    plan.flat = choice_.flat_of_unknown_filter(light);
    if (plan.flat) {
      warn("flat-filter",
           light.filter.empty() ? fmt::format("these lights do not name their filter: the flats of "
                                              "{} are used; supply FILTER "
                                              "to say otherwise",
                                              set_info(*plan.flat).filter)
                                : "the flats do not name their filter: they are used for these "
                                  "lights all the same; supply "
                                  "FILTER to say otherwise",
           i);
    } else {
      warn("no-flat",
           light.filter.empty()
               ? "no flat fits these lights: vignetting and dust stay in; take flats with the same "
                 "set-up"
               : fmt::format(
                     "no flat of filter {} fits these lights{}: vignetting and dust stay in; take "
                     "flats with the same set-up",
                     light.filter, missed_flat(light)),
           i);
    }
  }

  void group_lights() {
    std::map<std::pair<std::string, std::string>, LightGroup> groups;
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      if (info(i).kind != FrameKind::light) continue;
      // A mosaic and a mono picture never share a result, whatever their filter names.
      std::string filter = info(i).filter;
      if (info(i).cfa != CfaPattern::none && filter.empty()) filter = "colour";
      auto& group = groups[{info(i).object, filter}];
      group.object = info(i).object;
      group.filter = filter;
      group.lights.push_back(i);
    }
    for (auto& [key, group] : groups) {
      std::stable_sort(group.lights.begin(), group.lights.end(), [&](std::size_t a, std::size_t b) {
        return info(a).start_s.value_or(0.0) < info(b).start_s.value_or(0.0);
      });
      result_.groups.push_back(std::move(group));
    }
  }

  const Inventory& inventory_;
  const MatchTolerances& tolerances_;
  Pairing result_;
  SetChoice choice_;
  std::map<std::string, Warning> warnings_;
};

}  // namespace

Pairing pair_frames(const Inventory& inventory, const MatchTolerances& tolerances,
                    const DarkKnowledge& darks) {
  return Pairer(inventory, tolerances, darks).run();
}

}  // namespace coldframe::session
