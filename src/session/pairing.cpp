#include "coldframe/session/pairing.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include "name_sense.hpp"
#include "pairing_reasons.hpp"

namespace coldframe::session {
namespace {

// A dark this short holds next to no dark current: it can stand in for a bias.
constexpr double short_dark_s = 2.0;
constexpr double short_dark_share = 0.05;
// Dark current doubles every 5 to 7 C (Widenhorn et al. 2002, Proc. SPIE 4669, 193): up to three
// times the tolerance of 2 C a dark still takes away more than it adds.
constexpr double temperature_stretch = 3.0;

bool agree(const std::string& a, const std::string& b) { return a.empty() || b.empty() || a == b; }

bool agree(const std::optional<double>& a, const std::optional<double>& b, double tolerance) {
  return !a || !b || std::fabs(*a - *b) <= tolerance;
}

// Size, binning and camera: without these nothing can be subtracted at all.
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

bool same_telescope(const FrameInfo& a, const FrameInfo& b, const MatchTolerances& tolerances) {
  return same_sensor(a, b) && agree(a.telescope, b.telescope) &&
         agree(a.focal_length_mm, b.focal_length_mm, 5.0) &&
         agree(a.rotator_deg, b.rotator_deg, tolerances.rotator_deg);
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

std::string number(double value) {
  return fmt::format("{:g}", std::round(value * 1000.0) / 1000.0);
}

std::string label_of(const FrameSet& set, const FrameInfo& info) {
  std::string label = set.kind == FrameKind::flat_dark ? "dark" : std::string(to_string(set.kind));
  if (set.kind == FrameKind::flat && !info.filter.empty()) label += fmt::format("_{}", info.filter);
  if (set.kind != FrameKind::bias && set.kind != FrameKind::flat && info.exposure_s) {
    label += fmt::format("_{}s", number(*info.exposure_s));
  }
  if (const auto t = info.sensor_temperature_c(); t && set.kind != FrameKind::flat) {
    label += fmt::format("_{:.0f}C", *t);
  }
  return label;
}

class Pairer {
 public:
  Pairer(const Inventory& inventory, const MatchTolerances& tolerances)
      : inventory_(inventory), tolerances_(tolerances) {
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
  [[nodiscard]] const FrameInfo& set_info(std::size_t set) const {
    return info(result_.sets[set].frames.front());
  }

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
      set.label = label_of(set, info(set.frames.front()));
      for (char& c : set.label) {
        if (c == '/' || c == '\\' || static_cast<unsigned char>(c) < 0x20U) c = '-';
      }
      const int count = ++used[set.label];
      if (count > 1) set.label += fmt::format("_{}", count);
    }
  }

  /// The set of `kind` that fits best by `score` (smaller is better; infinite = no).
  template <typename Score>
  std::optional<std::size_t> best_set(FrameKind kind, const Score& score) const {
    std::optional<std::size_t> best;
    double best_score = std::numeric_limits<double>::infinity();
    for (std::size_t s = 0; s < result_.sets.size(); ++s) {
      if (result_.sets[s].kind != kind) continue;
      const double value = score(s);
      if (value < best_score) {
        best_score = value;
        best = s;
      }
    }
    return best;
  }

  [[nodiscard]] double temperature_gap(const FrameInfo& a, const FrameInfo& b) const {
    const auto ta = a.sensor_temperature_c();
    const auto tb = b.sensor_temperature_c();
    return ta && tb ? std::fabs(*ta - *tb) : 0.0;
  }

  // More frames win a tie: their master is quieter. Fresh frames come before an old master, but
  // one frame alone is as noisy as a light.
  [[nodiscard]] double frames_bonus(std::size_t set) const {
    constexpr double of_library = 2.0;
    constexpr double of_one_frame = 3.0;
    if (result_.sets[set].from_library) return of_library;
    if (result_.sets[set].frames.size() == 1) return of_one_frame;
    return 0.1 / static_cast<double>(result_.sets[set].frames.size());
  }

  [[nodiscard]] std::optional<std::size_t> matched_dark(const FrameInfo& frame,
                                                        double stretch = 1.0) const {
    MatchTolerances tolerances = tolerances_;
    tolerances.temperature_c *= stretch;
    return best_set(FrameKind::dark, [&, tolerances](std::size_t s) {
      const auto& dark = set_info(s);
      const bool fits = same_read_out(dark, frame) && same_exposure(dark, frame, tolerances) &&
                        same_temperature(dark, frame, tolerances);
      return fits ? temperature_gap(dark, frame) + frames_bonus(s)
                  : std::numeric_limits<double>::infinity();
    });
  }

  [[nodiscard]] std::optional<std::size_t> matched_bias(const FrameInfo& frame) const {
    return best_set(FrameKind::bias, [&](std::size_t s) {
      return same_read_out(set_info(s), frame)
                 ? temperature_gap(set_info(s), frame) + frames_bonus(s)
                 : std::numeric_limits<double>::infinity();
    });
  }

  // A dark short against the frame it serves, in place of a bias.
  [[nodiscard]] std::optional<std::size_t> bias_like_dark(const FrameInfo& frame) const {
    return best_set(FrameKind::dark, [&](std::size_t s) {
      const auto& dark = set_info(s);
      if (!same_read_out(dark, frame) || !dark.exposure_s || !frame.exposure_s) {
        return std::numeric_limits<double>::infinity();
      }
      const double limit = std::max(short_dark_s, short_dark_share * *frame.exposure_s);
      return *dark.exposure_s <= limit ? *dark.exposure_s : std::numeric_limits<double>::infinity();
    });
  }

  // A dark of another exposure whose rate can be scaled once the bias is out.
  [[nodiscard]] std::optional<std::size_t> scalable_dark(const FrameInfo& frame) const {
    if (!frame.exposure_s) return std::nullopt;
    return best_set(FrameKind::dark, [&](std::size_t s) {
      const auto& dark = set_info(s);
      if (!same_read_out(dark, frame) || !same_temperature(dark, frame, tolerances_) ||
          !dark.exposure_s || *dark.exposure_s < *frame.exposure_s * 0.5) {
        return std::numeric_limits<double>::infinity();  // scaling up multiplies the dark's noise
      }
      return std::fabs(std::log(*dark.exposure_s / *frame.exposure_s));
    });
  }

  void pair_flats() {
    for (std::size_t s = 0; s < result_.sets.size(); ++s) {
      if (result_.sets[s].kind != FrameKind::flat || result_.sets[s].from_library) continue;
      const auto& flat = set_info(s);
      auto subtract = matched_dark(flat);
      if (!subtract) subtract = matched_bias(flat);
      if (!subtract) subtract = bias_like_dark(flat);
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
    if (!light.is_calibrated) {
      pair_dark(i, plan);
      pair_flat(i, plan);
    }
  }

  void pair_dark(std::size_t i, LightCalibration& plan) {
    const auto& light = info(i);
    plan.dark = matched_dark(light);
    if (plan.dark) return;
    plan.dark = matched_dark(light, temperature_stretch);
    if (plan.dark) {
      warn("dark-temperature",
           fmt::format(
               "the darks are further than {:g} C from these lights in temperature, for want of a "
               "nearer one {} is used; some dark current stays in or goes too far. Take darks at "
               "the "
               "lights' temperature",
               tolerances_.temperature_c, result_.sets[*plan.dark].label),
           i);
      return;
    }
    plan.bias = matched_bias(light);
    const auto scalable = plan.bias ? scalable_dark(light) : std::nullopt;
    if (scalable) {
      plan.dark = scalable;
      plan.dark_scale = *light.exposure_s / *set_info(*scalable).exposure_s;
      warn("dark-scaled",
           fmt::format("no dark of {} s fits: the rate of the {} s dark is scaled by {:.3g}; take "
                       "darks of the lights' exposure for the best result",
                       number(*light.exposure_s), number(*set_info(*scalable).exposure_s),
                       plan.dark_scale),
           i);
      return;
    }
    if (plan.bias) {
      warn(
          "no-dark",
          "no dark fits these lights in exposure and temperature: only the bias is subtracted, hot "
          "pixels are found from the lights themselves; take darks of the lights' exposure",
          i);
      return;
    }
    plan.bias = bias_like_dark(light);
    if (plan.bias) {
      warn("short-dark-as-bias",
           fmt::format(
               "no dark of the lights' exposure and no bias: the {} s dark stands in for the "
               "bias, hot pixels are found from the lights themselves; take darks of {} s",
               number(*set_info(*plan.bias).exposure_s),
               light.exposure_s ? number(*light.exposure_s) : "the lights'"),
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

  template <typename Fits>
  [[nodiscard]] std::optional<std::size_t> nearest_flat(const FrameInfo& light,
                                                        const Fits& fits) const {
    return best_set(FrameKind::flat, [&](std::size_t s) {
      const auto& flat = set_info(s);
      if (!fits(flat)) return std::numeric_limits<double>::infinity();
      const double days =
          flat.start_s && light.start_s ? std::fabs(*flat.start_s - *light.start_s) / 86400.0 : 0.0;
      return days + frames_bonus(s);
    });
  }

  // What a header does not tell cannot contradict, unless flats of several filters leave a choice.
  [[nodiscard]] std::optional<std::size_t> flat_of_unknown_filter(const FrameInfo& light) const {
    const auto fits = [&](const FrameInfo& flat) {
      return same_telescope(flat, light, tolerances_) &&
             (flat.filter.empty() || light.filter.empty());
    };
    std::string only;
    for (const auto& set : result_.sets) {
      if (set.kind != FrameKind::flat || !fits(info(set.frames.front()))) continue;
      const std::string filter = filter_key(info(set.frames.front()).filter);
      if (!only.empty() && filter != only) return std::nullopt;
      only = filter;
    }
    return nearest_flat(light, fits);
  }

  [[nodiscard]] std::string missed_flat(const FrameInfo& light) const {
    const auto miss = nearest_miss(inventory_, result_.sets, light, FrameKind::flat, tolerances_);
    return miss.empty() ? miss : " (" + miss + ")";
  }

  void pair_flat(std::size_t i, LightCalibration& plan) {
    const auto& light = info(i);
    plan.flat = nearest_flat(
        light, [&](const FrameInfo& flat) { return same_optics(flat, light, tolerances_); });
    if (plan.flat) return;
    plan.flat = flat_of_unknown_filter(light);
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
  std::map<std::string, Warning> warnings_;
};

}  // namespace

Pairing pair_frames(const Inventory& inventory, const MatchTolerances& tolerances) {
  return Pairer(inventory, tolerances).run();
}

}  // namespace coldframe::session
