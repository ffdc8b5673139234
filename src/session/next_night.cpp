#include "coldframe/session/next_night.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <string>
#include <string_view>

#include "coldframe/core/statistics.hpp"
#include "hints.hpp"
#include "next_night_parts.hpp"

namespace coldframe::session {
namespace detail {
namespace {

/// Patterns that widen the stars.
bool widens(std::string_view code) {
  constexpr std::array<std::string_view, 7> codes{"focus-drift", "tracking", "wind",       "tilt",
                                                  "curvature",   "jumps",    "astigmatism"};
  return std::find(codes.begin(), codes.end(), code) != codes.end() || code == "dew" ||
         code == "out-of-focus";
}

// What a drawn star loses to the round one of its short axis; otherwise what the best subs show.
double widening_px(const NightFigures& f, std::string_view code) {
  if (code == "tracking" || code == "wind") {
    std::vector<double> lost;
    for (const auto* sub : f.kept) {
      if (!sub->fwhm_px || !sub->ellipticity) continue;
      lost.push_back(*sub->fwhm_px * (1.0 - std::sqrt(std::max(1.0 - *sub->ellipticity, 0.0))));
    }
    return lost.empty() ? 0.0 : median(lost);
  }
  return std::max(f.fwhm_px - f.best_fwhm_px, 0.0);
}

// The mean of the sky's remaining shape squared is a twelfth of its range's square.
std::optional<double> surface_loss(const NightFigures& f, const Warning& warning) {
  for (const auto& [name, value] : warning.evidence) {
    if (name != "left_share_of_sky" || !(f.block_noise > 0.0) || !(f.sky > 0.0)) continue;
    const double left = value * f.sky / std::sqrt(12.0);
    return snr_loss_of(left * left / (left * left + f.block_noise * f.block_noise));
  }
  return std::nullopt;
}

bool about_flats(std::string_view code) {
  return code.starts_with("flat-") || code == "dust-moved";
}

double trail_share(const NightFigures& f) {
  double share = 0.0;
  for (const auto* sub : f.kept) {
    const double area = static_cast<double>(sub->frame.count());
    for (const auto& t : sub->trails) {
      if (area > 0.0) share += std::hypot(t.x2 - t.x1, t.y2 - t.y1) * t.width_px / area;
    }
  }
  return f.kept.empty() ? 0.0 : share / static_cast<double>(f.kept.size());
}

}  // namespace

void add_hint_limits(const NightFigures& f, std::vector<NightLimit>& limits) {
  std::vector<SubRecord> rows;
  for (const auto* sub : f.all) rows.push_back(*sub);
  for (const auto& hint : find_hints(rows)) {
    NightLimit l;
    l.code = hint.code;
    l.fault = true;
    l.message = hint.message;
    const double loss = hint.code == "no-dither" ? std::max(hint.loss, f.common_loss) : hint.loss;
    l.snr_loss = snr_loss_of(std::clamp(loss, 0.0, 0.98));
    if (const double wider = widens(hint.code) ? widening_px(f, hint.code) : 0.0; wider > 0.0) {
      l.width_px = wider;
      if (f.arcsec_per_px) l.width_arcsec = wider * *f.arcsec_per_px;
    }
    limits.push_back(std::move(l));
  }
}

void add_flat_limits(const NightFigures& f, std::vector<NightLimit>& limits) {
  NightLimit flats;
  for (const auto& warning : f.record->warnings) {
    if (warning.code == "no-flat") {
      NightLimit l{"no-flat", true, warning.message, {}, {}, {}};
      limits.push_back(std::move(l));
    }
    if (!about_flats(warning.code) || warning.code == "flat-filter") continue;
    const auto loss = surface_loss(f, warning);
    if (!flats.code.empty() && loss.value_or(0.0) <= flats.snr_loss.value_or(0.0)) continue;
    flats = {"flats", true, warning.message, loss, {}, {}};
  }
  if (!flats.code.empty()) limits.push_back(std::move(flats));
}

void add_loss_limits(const NightFigures& f, std::vector<NightLimit>& limits) {
  constexpr double worth_naming = 0.01;  // half a percent of the signal to noise
  if (const double share = trail_share(f); share > worth_naming) {
    limits.push_back({"trails",
                      true,
                      fmt::format("trails of satellites or aircraft cover {:.1f}% of the subs' "
                                  "area, which was left out",
                                  100.0 * share),
                      snr_loss_of(std::min(share, 0.9)),
                      {},
                      {}});
  }
  std::map<std::string, int> rules;
  int lost = 0;
  for (const auto* sub : f.all) {
    if (sub->kept || sub->rule == "owner") continue;
    ++lost;
    ++rules[sub->rule.empty() ? "other" : sub->rule];
  }
  if (lost == 0 || f.kept.empty()) return;
  std::string why;
  for (const auto& [rule, count] : rules) {
    why += fmt::format("{}{} {}", why.empty() ? "" : ", ", rule, count);
  }
  const double all = static_cast<double>(f.kept.size()) + static_cast<double>(lost);
  limits.push_back(
      {"left-out",
       false,
       fmt::format("{} of {:.0f} subs were not good enough to be combined ({})", lost, all, why),
       snr_loss_of(static_cast<double>(lost) / all),
       {},
       {}});
}

}  // namespace detail

namespace {

using detail::NightFigures;

struct Advice {
  std::string_view code;
  const char* text;
};

constexpr std::array<Advice, 19> advice{{
    {"focus-drift", "focus again before the stars have grown by a tenth"},
    {"out-of-focus", "focus before the first sub"},
    {"tracking", "mend guiding, balance or periodic error, or expose shorter"},
    {"wind", "shield the telescope from wind, or expose shorter"},
    {"jumps", "find what moved between and during subs: cables, mirror, mount"},
    {"tilt", "square the camera to the axis"},
    {"curvature", "set the distance of reducer or flattener"},
    {"astigmatism", "set the distance of corrector, reducer or flattener"},
    {"thin-cloud", "take as many subs under a clear sky as cloud spoiled"},
    {"dew", "heat or shield the optics"},
    {"gradient", "keep away from the Moon and from low altitude, where the sky's slope changed"},
    {"sky-brightening", "keep to the hours while the sky is dark"},
    {"no-dither", "shift the pointing by 5 to 20 px at random between subs"},
    {"drift", "shift the pointing at random between subs"},
    {"field-rotation", "align the polar axis"},
    {"flats", "take new flats with the same set-up, out of stray light, and darks for them"},
    {"no-flat", "take flats"},
    {"left-out", "make good the subs that were left out"},
    {"common-noise", "dither, and take more frames for each master"},
}};

void add_action(std::vector<NightAction>& actions, const NightLimit& limit) {
  const auto found = std::find_if(advice.begin(), advice.end(),
                                  [&](const Advice& a) { return a.code == limit.code; });
  if (found == advice.end() || !limit.snr_loss) return;
  actions.push_back({limit.code, found->text, detail::gain_of(*limit.snr_loss)});
}

void add_time(std::vector<NightAction>& actions, const NightFigures& f) {
  if (f.result->subs_kept < 1) return;
  // Independent noise halves its variance where the growth could not be measured.
  const double doubled = f.result->doubling_mag.value_or(1.25 * std::log10(2.0));
  actions.push_back(
      {"few-subs", fmt::format("take as many subs again ({:.1f} min)", f.result->exposure_s / 60.0),
       doubled});
}

// A third as many subs of three times the length hold a third of the read noise's variance.
void add_longer(std::vector<NightAction>& actions, const NightFigures& f) {
  constexpr double longer = 3.0, least_share = 0.1;
  if (f.read_share < least_share) return;
  actions.push_back({"read-noise",
                     "expose three times longer for the same total, where stars allow it",
                     1.25 * std::log10(1.0 / (1.0 - f.read_share * (1.0 - 1.0 / longer)))});
}

void add_seeing(std::vector<NightAction>& actions, const std::vector<NightLimit>& limits) {
  const bool explained = std::any_of(limits.begin(), limits.end(), [](const NightLimit& l) {
    return l.fault && l.width_px.has_value();
  });
  const auto seeing = std::find_if(limits.begin(), limits.end(),
                                   [](const NightLimit& l) { return l.code == "seeing"; });
  constexpr double least = 0.1;
  if (explained || seeing == limits.end() || seeing->snr_loss.value_or(0.0) < least) return;
  actions.push_back({"seeing", "take the subs in hours as steady as the best tenth of these",
                     detail::gain_of(*seeing->snr_loss)});
}

}  // namespace

NextNight next_night(const SessionRecord& record, int result) {
  NextNight night;
  const auto f = detail::figures_of_night(record, result);
  detail::add_hint_limits(f, night.limits);
  detail::add_flat_limits(f, night.limits);
  if (!f.result->path.empty()) {
    detail::add_loss_limits(f, night.limits);
    detail::add_budget(f, night.limits);
  }
  std::stable_sort(night.limits.begin(), night.limits.end(),
                   [](const NightLimit& a, const NightLimit& b) {
                     if (a.fault != b.fault) return a.fault;
                     return a.snr_loss.value_or(0.0) > b.snr_loss.value_or(0.0);
                   });
  for (const auto& limit : night.limits) add_action(night.actions, limit);
  add_time(night.actions, f);
  add_longer(night.actions, f);
  add_seeing(night.actions, night.limits);
  constexpr double worth_while = 0.02;
  std::erase_if(night.actions, [](const NightAction& a) { return a.gain_mag < worth_while; });
  std::stable_sort(
      night.actions.begin(), night.actions.end(),
      [](const NightAction& a, const NightAction& b) { return a.gain_mag > b.gain_mag; });
  constexpr std::size_t most = 3;
  if (night.actions.size() > most) night.actions.resize(most);
  return night;
}

std::vector<std::string> next_night_lines(const NextNight& night) {
  std::vector<std::string> lines;
  for (const auto& l : night.limits) {
    std::string text = fmt::format("limited by {}", l.code);
    std::string cost;
    if (l.snr_loss) cost = fmt::format("{:.0f}% of the signal to noise", 100.0 * *l.snr_loss);
    if (l.width_arcsec || l.width_px) {
      if (!cost.empty()) cost += ", ";
      cost += l.width_arcsec ? fmt::format("{:.2f} arcsec", *l.width_arcsec)
                             : fmt::format("{:.2f} px", *l.width_px);
    }
    if (!cost.empty()) text += " (cost " + cost + ")";
    lines.push_back(text + ": " + l.message);
  }
  for (const auto& a : night.actions) {
    lines.push_back(fmt::format("next night: {}: gains about {:.2f} mag", a.text, a.gain_mag));
  }
  return lines;
}

}  // namespace coldframe::session
