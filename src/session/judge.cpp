#include "judge.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "coldframe/core/statistics.hpp"

namespace coldframe::session {
namespace {

constexpr double kappa = 5.0;
constexpr int least_fitted = 3;  // below it neither width nor shape is known

bool shaped(const SubFigures& f) { return f.usable && f.fitted >= least_fitted; }

struct Typical {
  double centre = 0.0;
  double spread = 0.0;
};

// Centre and spread of the better side: a focus lost for half the night must not set the standard.
// `factor` and `step`: how far the median may lie above the better half's own middle.
Typical better_side(std::vector<double> values, double factor, double step) {
  // Of a handful of subs the spread is not known: the limits' fixed factors decide.
  constexpr std::size_t enough = 5;
  if (values.size() < enough) return {median(values), 0.0};
  Typical typical{median(values), robust_sigma(values)};
  std::sort(values.begin(), values.end());
  values.resize((values.size() + 1) / 2);
  const double middle = median(values);
  typical.centre = std::min(typical.centre, middle * factor + step);
  // 2.5: sigma over the median absolute deviation of the lower half of a Gaussian (0.399 sigma).
  typical.spread = std::min(typical.spread, 2.5 * median_absolute_deviation(values));
  return typical;
}

struct Limits {
  bool look_for_doubles = false;
  double fwhm = 0.0;
  double typical_fwhm = 0.0;
  double fwhm_ruined = 0.0;  ///< 0: not known
  double ellipticity = 0.0;
  double transparency = 0.0;
  int stars = 5;
  double contribution = 0.1;
};

// Single subs far beyond all others go early; what a good part of the night shows is its character.
double ellipticity_limit(const std::vector<double>& values) {
  const Typical shape = better_side(values, 1.0, 0.1);
  const double wide =
      std::clamp(std::max(shape.centre + kappa * shape.spread, shape.centre + 0.18), 0.25, 0.6);
  const double narrow = std::max({shape.centre + kappa * shape.spread, shape.centre + 0.10, 0.15});
  const auto beyond = static_cast<std::size_t>(
      std::count_if(values.begin(), values.end(), [&](double value) { return value > narrow; }));
  return values.size() >= 6 && 4 * beyond <= values.size() ? std::min(narrow, wide) : wide;
}

double ruined_fwhm(std::vector<double> widths, double arcsec_per_px) {
  constexpr double widest_arcsec = 8.0;  // beyond any seeing one observes in; no source
  if (!(arcsec_per_px > 0.0) || widths.size() < 2) return 0.0;
  std::sort(widths.begin(), widths.end());
  const double sharp = widths[widths.size() < 5 ? 0 : 1];
  return std::max(2.5 * sharp, widest_arcsec / arcsec_per_px);
}

double transparency_limit(std::span<const SubFigures> subs) {
  std::vector<double> values;
  for (const auto& f : subs) {
    if (f.usable && f.transparency > 0.0) values.push_back(f.transparency);
  }
  if (values.empty()) return 0.0;
  // One clear moment must not condemn a hazy night.
  return 0.5 * std::min(1.0, quantile_in_place(values, 0.75));
}

Limits limits_of(std::span<const SubFigures> subs, const KeepLimits& owner) {
  std::vector<double> fwhm;
  std::vector<double> ellipticity;
  std::size_t doubles = 0;
  double scale = 0.0;
  for (const auto& f : subs) {
    if (!shaped(f)) continue;
    fwhm.push_back(f.fwhm_px);
    ellipticity.push_back(f.ellipticity);
    if (f.doubles) ++doubles;
    if (f.arcsec_per_px > 0.0) scale = f.arcsec_per_px;
  }
  Limits limits;
  if (!fwhm.empty()) {
    const Typical width = better_side(fwhm, 1.25, 0.0);
    limits.typical_fwhm = width.centre;
    limits.fwhm =
        std::clamp(width.centre + kappa * width.spread, 1.6 * width.centre, 2.0 * width.centre);
    limits.fwhm_ruined = ruined_fwhm(fwhm, scale);
    limits.ellipticity = ellipticity_limit(ellipticity);
  }
  // Double images in most subs are no jump of the mount but belong to the optics.
  limits.look_for_doubles = 2 * doubles < fwhm.size();
  limits.transparency = transparency_limit(subs);
  if (owner.max_fwhm_px) limits.fwhm_ruined = 0.0;
  limits.fwhm = owner.max_fwhm_px.value_or(limits.fwhm);
  limits.ellipticity = owner.max_ellipticity.value_or(limits.ellipticity);
  limits.transparency = owner.min_transparency.value_or(limits.transparency);
  limits.stars = owner.min_stars.value_or(limits.stars);
  limits.contribution = owner.min_contribution.value_or(limits.contribution);
  return limits;
}

Decision dropped(std::string rule, std::string words, std::optional<double> value = {},
                 std::optional<double> limit = {}) {
  return {false, std::move(rule), value, limit, std::move(words)};
}

Decision not_matched(const SubFigures& f) {
  return dropped("no-match", fmt::format("no match with the reference: {} ({} stars here)",
                                         f.no_match, f.stars));
}

std::optional<Decision> judge_shape(const SubFigures& f, const Limits& limits) {
  if (!shaped(f)) return std::nullopt;
  // Before the cloud: the light of the second image is missing in the first.
  if (limits.look_for_doubles && f.doubles) {
    return dropped(
        "double-images",
        fmt::format("smeared: double images {:.1f} px apart, the second with {:.0f}% of the "
                    "first's light (jump of the mount)",
                    f.doubles->distance_px, 100.0 * f.doubles->share),
        f.doubles->distance_px);
  }
  if (f.ellipticity - 2.0 * f.ellipticity_error > limits.ellipticity) {
    return dropped("ellipticity",
                   fmt::format("smeared: stars drawn out, ellipticity {:.2f}, limit {:.2f} "
                               "(tracking, wind or a knock)",
                               f.ellipticity, limits.ellipticity),
                   f.ellipticity, limits.ellipticity);
  }
  return std::nullopt;
}

std::optional<Decision> judge_width(const SubFigures& f, const Limits& limits) {
  if (!shaped(f)) return std::nullopt;
  const double sure = f.fwhm_px - 2.0 * f.fwhm_error_px;
  if (limits.fwhm_ruined > 0.0 && sure > limits.fwhm_ruined) {
    return dropped("fwhm",
                   fmt::format("blurred: FWHM {:.2f} px = {:.1f} arcsec, limit {:.2f} px (out of "
                               "focus)",
                               f.fwhm_px, f.fwhm_px * f.arcsec_per_px, limits.fwhm_ruined),
                   f.fwhm_px, limits.fwhm_ruined);
  }
  if (limits.fwhm > 0.0 && sure > limits.fwhm) {
    constexpr double no_seeing = 2.5;  // times the session's width; from experience, no source
    const bool defocused = sure > no_seeing * limits.typical_fwhm;
    return dropped(
        "fwhm",
        fmt::format("blurred: FWHM {:.2f} px, limit {:.2f} px ({})", f.fwhm_px, limits.fwhm,
                    defocused ? "out of focus" : "focus, seeing or double images"),
        f.fwhm_px, limits.fwhm);
  }
  return std::nullopt;
}

Decision judge_one(const SubFigures& f, const Limits& limits, bool owner_has_list) {
  if (!f.usable) {
    return dropped("unreadable", f.fault.empty() ? "could not be read" : f.fault);
  }
  if (f.dropped_by_owner) return dropped("owner", "dropped by the owner");
  if (!f.listed) return dropped("owner", "not on the owner's keep list");
  if (owner_has_list) return f.matched ? Decision{true, "", {}, {}, ""} : not_matched(f);
  if (!f.has_sky) return dropped("no-sky", "no usable pixels");
  if (auto shape = judge_shape(f, limits)) return *shape;
  if (f.transparency > 0.0 && f.transparency + 2.0 * f.transparency_error < limits.transparency) {
    return dropped("transparency",
                   fmt::format("cloud: transparency {:.2f} of the best sub, limit {:.2f}",
                               f.transparency, limits.transparency),
                   f.transparency, limits.transparency);
  }
  if (auto width = judge_width(f, limits)) return *width;
  if (f.stars < limits.stars) {
    return dropped(
        "stars",
        fmt::format("too few stars: {}, limit {} (cloud, dew or cap)", f.stars, limits.stars),
        f.stars, limits.stars);
  }
  if (!f.matched) return not_matched(f);
  return {true, "", {}, {}, ""};
}

// Subs of one set-up and about one exposure: short ones taken for the bright stars are not held
// against long ones.
std::vector<std::vector<std::size_t>> exposure_classes(std::span<const SubFigures> subs,
                                                       const std::vector<Decision>& decisions) {
  std::vector<std::size_t> order;
  for (std::size_t i = 0; i < subs.size(); ++i) {
    if (decisions[i].kept && subs[i].noise > 0.0 && subs[i].fitted >= least_fitted)
      order.push_back(i);
  }
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    if (subs[a].set_up != subs[b].set_up) return subs[a].set_up < subs[b].set_up;
    return subs[a].exposure_s < subs[b].exposure_s;
  });
  std::vector<std::vector<std::size_t>> classes;
  for (const std::size_t i : order) {
    const bool fresh = classes.empty() || subs[i].set_up != subs[classes.back().front()].set_up ||
                       subs[i].exposure_s > 1.5 * subs[classes.back().front()].exposure_s;
    if (fresh) classes.emplace_back();
    classes.back().push_back(i);
  }
  return classes;
}

// Drops the worst that add too little, a few at a time since each drop changes what is typical.
void judge_contributions(std::span<const SubFigures> subs, std::vector<std::size_t> members,
                         double share, std::vector<Decision>& decisions) {
  constexpr std::size_t least = 4;
  while (members.size() >= least) {
    std::vector<double> noise;
    std::vector<double> fwhm;
    for (const std::size_t i : members) {
      noise.push_back(subs[i].noise);
      fwhm.push_back(subs[i].fwhm_px);
    }
    const auto gains = net_gains(noise, fwhm);
    std::vector<double> better = gains;
    const double typical = quantile_in_place(better, 0.75);
    if (!(typical > 0.0)) return;
    std::vector<std::size_t> order(members.size());
    for (std::size_t k = 0; k < order.size(); ++k) order[k] = k;
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return gains[a] < gains[b]; });
    std::vector<std::size_t> failing;
    for (std::size_t k = 0; k < 1 + order.size() / 20; ++k) {
      if (gains[order[k]] < share * typical) failing.push_back(order[k]);
    }
    if (failing.empty()) return;
    for (const std::size_t k : failing) {
      const auto& f = subs[members[k]];
      const double value = gains[k] / typical;
      decisions[members[k]] =
          dropped("contribution",
                  fmt::format("adds {:.0f}% of what a typical sub adds to the signal-to-noise of "
                              "stars, limit {:.0f}% (noise {:.3g} on the common scale, FWHM {:.2f} "
                              "px: cloud, moon or dawn light, focus)",
                              100.0 * value, 100.0 * share, f.noise, f.fwhm_px),
                  value, share);
    }
    std::sort(failing.rbegin(), failing.rend());
    for (const std::size_t k : failing)
      members.erase(members.begin() + static_cast<std::ptrdiff_t>(k));
  }
}

}  // namespace

std::vector<double> net_gains(std::span<const double> noise, std::span<const double> fwhm) {
  const std::size_t n = noise.size();
  std::vector<double> w(n);
  double total = 0.0;
  for (std::size_t i = 0; i < n; ++i) total += w[i] = 1.0 / (noise[i] * noise[i]);
  std::vector<double> cross(n, 0.0);  // sum over all k of w_k / (f_i^2 + f_k^2)
  double sum = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t k = 0; k < n; ++k) {
      cross[i] += w[k] / (fwhm[i] * fwhm[i] + fwhm[k] * fwhm[k]);
    }
    sum += w[i] * cross[i];
  }
  std::vector<double> gains(n, 1.0);
  for (std::size_t i = 0; i < n && n > 1; ++i) {
    const double own = w[i] * w[i] / (2.0 * fwhm[i] * fwhm[i]);
    const double without = (sum - 2.0 * w[i] * cross[i] + own) / (total - w[i]);
    gains[i] = without > 0.0 ? sum / total / without - 1.0 : 1.0;
  }
  return gains;
}

std::vector<Decision> judge_subs(std::span<const SubFigures> subs, const KeepLimits& owner) {
  std::map<std::size_t, std::vector<SubFigures>> set_ups;
  for (const auto& f : subs) set_ups[f.set_up].push_back(f);
  std::map<std::size_t, Limits> limits;
  for (const auto& [set_up, members] : set_ups) limits[set_up] = limits_of(members, owner);
  const bool owner_has_list = !owner.keep_only.empty();
  std::vector<Decision> decisions;
  for (const auto& f : subs) {
    decisions.push_back(judge_one(f, limits[f.set_up], owner_has_list));
  }
  if (owner_has_list) return decisions;
  for (auto& members : exposure_classes(subs, decisions)) {
    const double share = limits[subs[members.front()].set_up].contribution;
    judge_contributions(subs, std::move(members), share, decisions);
  }
  return decisions;
}

}  // namespace coldframe::session
