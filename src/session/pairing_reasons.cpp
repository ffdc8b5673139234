#include "pairing_reasons.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "name_sense.hpp"
#include "pairing_rules.hpp"

namespace coldframe::session {
namespace {

constexpr double day_s = 86400.0;
// Common practice, no source: dust moves within weeks, hot pixels grow within months.
constexpr double old_flat_days = 14.0;
constexpr double old_dark_days = 180.0;

void compare_text(const char* what, const std::string& a, const std::string& b,
                  std::vector<std::string>& list) {
  if (!a.empty() && !b.empty() && a != b)
    list.push_back(fmt::format("{} {} against {}", what, a, b));
}

void compare_number(const char* what, const char* unit, const std::optional<double>& a,
                    const std::optional<double>& b, double tolerance,
                    std::vector<std::string>& list) {
  if (a && b && std::fabs(*a - *b) > tolerance) {
    list.push_back(fmt::format("{} {:.5g}{} against {:.5g}{}", what, *a, unit, *b, unit));
  }
}

void compare_read_out(const FrameInfo& a, const FrameInfo& b, std::vector<std::string>& list) {
  compare_text("read-out mode", a.read_out, b.read_out, list);
  compare_number("gain setting", "", a.gain_setting, b.gain_setting, 1e-6, list);
  compare_number("offset setting", "", a.offset_setting, b.offset_setting, 1e-6, list);
  compare_number("gain", " e/ADU", a.gain_e_per_adu, b.gain_e_per_adu, 0.01, list);
}

std::optional<double> age_days(const FrameInfo& calibration, const FrameInfo& light) {
  if (!calibration.start_s || !light.start_s) return std::nullopt;
  return (*light.start_s - *calibration.start_s) / day_s;
}

std::string age_text(const std::optional<double>& days) {
  if (!days) return "age unknown";
  if (std::fabs(*days) < 1.0) return "same day";
  return fmt::format("{:.0f} days {}", std::fabs(*days), *days > 0.0 ? "before" : "after");
}

class Explainer {
 public:
  Explainer(const Inventory& inventory, const MatchTolerances& tolerances, Pairing& pairing)
      : inventory_(inventory), tolerances_(tolerances), pairing_(pairing) {}

  void run() {
    for (const auto& group : pairing_.groups) {
      for (const auto light : group.lights) {
        const auto& plan = pairing_.lights[light];
        if (plan.dark) explain(light, *plan.dark, FrameKind::dark, plan.dark_scale);
        if (plan.bias) explain(light, *plan.bias, FrameKind::bias, 1.0);
        if (plan.flat) explain(light, *plan.flat, FrameKind::flat, 1.0);
      }
    }
    for (auto& [key, choice] : choices_) {
      warn_of_age(choice);
      pairing_.choices.push_back(std::move(choice));
    }
  }

 private:
  [[nodiscard]] const FrameInfo& info(std::size_t set) const {
    return inventory_.frames[pairing_.sets[set].frames.front()].info;
  }

  [[nodiscard]] std::string reason(std::size_t light, std::size_t set, FrameKind kind,
                                   double scale) const {
    const auto& served = inventory_.frames[light].info;
    auto off = differences(info(set), served, kind, tolerances_);
    std::string why = off.empty() ? "agrees in all that the headers tell"
                                  : fmt::format("best at hand, but {}", fmt::join(off, ", "));
    if (scale != 1.0) why += fmt::format("; its rate is scaled by {:.3g}", scale);
    if (pairing_.sets[set].from_library) {
      why += "; from the library of masters, " + age_text(age_days(info(set), served));
    } else if (kind == FrameKind::flat) {
      why += "; nearest in time, " + age_text(age_days(info(set), served));
    }
    return why;
  }

  void explain(std::size_t light, std::size_t set, FrameKind kind, double scale) {
    const std::string why = reason(light, set, kind, scale);
    const auto key = std::tuple(static_cast<int>(kind), set, why);
    const auto [known, fresh] = choices_.try_emplace(key);
    auto& choice = known->second;
    ++choice.lights;
    if (!fresh) return;
    choice.kind = kind;
    choice.set = set;
    choice.why = why;
    choice.age_days = age_days(info(set), inventory_.frames[light].info);
    for (std::size_t s = 0; s < pairing_.sets.size(); ++s) {
      if (s == set || pairing_.sets[s].kind != pairing_.sets[set].kind) continue;
      choice.others.push_back(other(s, light, kind));
    }
  }

  [[nodiscard]] std::string other(std::size_t s, std::size_t light, FrameKind kind) const {
    const auto& served = inventory_.frames[light].info;
    const auto off = differences(info(s), served, kind, tolerances_);
    const auto& set = pairing_.sets[s];
    if (!off.empty()) return fmt::format("{}: {}", set.label, fmt::join(off, ", "));
    const auto folder = [&](std::size_t frame) { return inventory_.frames[frame].folder; };
    if (!set.from_library && folder(set.frames.front()) != folder(light)) {
      return set.label + ": fits too, but lies in another night's folder";
    }
    if (set.from_library) return set.label + ": fits too, but fresh frames come before old masters";
    if (kind == FrameKind::flat) {
      return fmt::format("{}: fits too, {}", set.label, age_text(age_days(info(s), served)));
    }
    return fmt::format("{}: fits too, with {} frames or further in temperature", set.label,
                       set.frames.size());
  }

  void warn_of_age(const CalibrationChoice& choice) {
    const auto& set = pairing_.sets[choice.set];
    if (!choice.age_days || choice.kind == FrameKind::bias) return;
    const bool flat = choice.kind == FrameKind::flat;
    if (std::fabs(*choice.age_days) <= (flat ? old_flat_days : old_dark_days)) return;
    pairing_.warnings.push_back(
        {set.from_library ? "old-master" : "old-calibration",
         fmt::format("{}{} is {:.0f} days away from these lights: {}; take new ones", set.label,
                     set.from_library ? " of the library" : "", std::fabs(*choice.age_days),
                     flat ? "dust may have moved" : "hot pixels may have grown"),
         {inventory_.frames[set.frames.front()].name}});
  }

  const Inventory& inventory_;
  const MatchTolerances& tolerances_;
  Pairing& pairing_;
  std::map<std::tuple<int, std::size_t, std::string>, CalibrationChoice> choices_;
};

}  // namespace

std::vector<std::string> differences(const FrameInfo& calibration, const FrameInfo& served,
                                     FrameKind kind, const MatchTolerances& tolerances) {
  std::vector<std::string> list;
  if (calibration.size != served.size) {
    list.push_back(fmt::format("size {} x {} against {} x {}", calibration.size.width,
                               calibration.size.height, served.size.width, served.size.height));
  }
  if (calibration.binning_x != served.binning_x || calibration.binning_y != served.binning_y) {
    list.push_back(fmt::format("binning {} against {}", calibration.binning_x, served.binning_x));
  }
  compare_text("camera", calibration.camera, served.camera, list);
  if (kind == FrameKind::flat) {
    const auto ours = filter_key(calibration.filter);
    const auto theirs = filter_key(served.filter);
    if (ours != theirs) {
      list.push_back(fmt::format("filter {} against {}", ours.empty() ? "none" : calibration.filter,
                                 theirs.empty() ? "none" : served.filter));
    }
    compare_text("telescope", calibration.telescope, served.telescope, list);
    compare_number("focal length", " mm", calibration.focal_length_mm, served.focal_length_mm, 5.0,
                   list);
    if (!same_angle(calibration.rotator_deg, served.rotator_deg, tolerances.rotator_deg)) {
      compare_number("rotator", " deg", calibration.rotator_deg, served.rotator_deg, 0.0, list);
    }
    return list;
  }
  compare_read_out(calibration, served, list);
  if (kind != FrameKind::bias && calibration.exposure_s && served.exposure_s) {
    const double longer = std::max(*calibration.exposure_s, *served.exposure_s);
    compare_number("exposure", " s", calibration.exposure_s, served.exposure_s,
                   std::max(tolerances.exposure_share * longer, 5e-4), list);
  }
  compare_number("temperature", " C", calibration.sensor_temperature_c(),
                 served.sensor_temperature_c(), tolerances.temperature_c, list);
  return list;
}

std::string nearest_miss(const Inventory& inventory, const std::vector<FrameSet>& sets,
                         const FrameInfo& served, FrameKind kind,
                         const MatchTolerances& tolerances) {
  std::string nearest;
  std::size_t fewest = 1000;
  for (const auto& set : sets) {
    if (set.kind != kind) continue;
    const auto off =
        differences(inventory.frames[set.frames.front()].info, served, kind, tolerances);
    if (off.size() >= fewest) continue;
    fewest = off.size();
    nearest = fmt::format("{}: {}", set.label, fmt::join(off, ", "));
  }
  return nearest;
}

void explain_choices(const Inventory& inventory, const MatchTolerances& tolerances,
                     Pairing& pairing) {
  Explainer(inventory, tolerances, pairing).run();
}

}  // namespace coldframe::session
