#include "decide.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <numeric>

#include "coldframe/align/shift_match.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/stack/weights.hpp"
#include "double_images.hpp"
#include "group_grid.hpp"

namespace coldframe::session {
namespace {

// How much a sub promises, before anything is known of its transparency:
// depth (stars seen, noise) and sharpness.
double promise(const SubState& sub) {
  const auto& q = sub.measured.quality;
  if (!sub.usable || q.status == stars::QualityStatus::no_sky) return 0.0;
  // Too few stars to tell their width: only the number speaks, behind any sub with a width.
  if (q.fitted < 3 || q.fwhm_px <= 0.0) return 1e-6 * static_cast<double>(q.stars);
  double round = std::max(1.0 - 2.0 * std::max(q.ellipticity - 0.15, 0.0), 0.05);
  if (find_double_images(sub.measured.stars, q.fwhm_px)) round = 0.05;  // counts its stars twice
  return static_cast<double>(q.stars) * round / (q.fwhm_px * q.fwhm_px);
}

bool named(const std::vector<std::string>& names, const SubState& sub) {
  return std::any_of(names.begin(), names.end(), [&](const std::string& name) {
    return name == sub.name || sub.path == std::filesystem::path(name) ||
           sub.path.filename() == std::filesystem::path(name);
  });
}

}  // namespace

bool owner_excludes(const SubState& sub, const KeepLimits& limits) {
  return named(limits.drop, sub) || (!limits.keep_only.empty() && !named(limits.keep_only, sub));
}

std::size_t choose_reference(std::span<const SubState* const> subs, const std::string& wanted) {
  std::size_t best = subs.size();
  double best_promise = 0.0;
  for (std::size_t i = 0; i < subs.size(); ++i) {
    if (!wanted.empty()) {
      if (subs[i]->name == wanted && subs[i]->usable) return i;
      continue;
    }
    if (promise(*subs[i]) > best_promise) {
      best_promise = promise(*subs[i]);
      best = i;
    }
  }
  if (!wanted.empty()) {
    throw Error(ErrorKind::usage, wanted, "is not one of the usable subs",
                "give --reference a name as the survey lists it");
  }
  if (best == subs.size()) {
    throw Error(ErrorKind::not_enough_data, "", "no sub shows stars to register by",
                "check focus, cap and exposure of the lights");
  }
  return best;
}

align::MatchResult match_subs(const pipeline::SubMeasurement& sub,
                              const pipeline::SubMeasurement& reference) {
  auto match = align::match_stars(sub.stars, reference.stars, {});
  const bool like = sub.frame == reference.frame;
  if (match.status == align::MatchStatus::matched || !like) return match;
  // Barely detected stars: the same set-up still leaves the shift alone to be found.
  const Point centre{(sub.frame.width - 1) / 2.0, (sub.frame.height - 1) / 2.0};
  auto shifted = align::match_by_shift(sub.stars, reference.stars, centre);
  return shifted.status == align::MatchStatus::matched ? shifted : match;
}

void register_group(GroupState& group, const SubState& reference, Threads threads,
                    const Watch& watch) {
  std::atomic<std::size_t> done{0};
  parallel_for(threads, group.subs.size(), [&](std::size_t i) {
    watch.check();
    auto& sub = group.subs[i];
    if (&sub == &reference) {
      sub.match.status = align::MatchStatus::matched;
      sub.match.transform.model = TransformModel::affine;
      for (std::size_t s = 0; s < sub.measured.stars.size(); ++s) sub.match.pairs.push_back({s, s});
      sub.match.false_probability = 0.0;
    } else if (sub.usable) {
      sub.match = match_subs(sub.measured, reference.measured);
    }
    watch.report("register", done.fetch_add(1) + 1, group.subs.size());
  });
}

namespace {

// Star fluxes of two subs through the stars that both share with the geometric reference.
std::vector<stack::FluxPair> common_fluxes(const SubState& sub, const SubState& reference) {
  std::vector<std::ptrdiff_t> partner(
      1 + std::accumulate(
              reference.match.pairs.begin(), reference.match.pairs.end(), std::size_t{0},
              [](std::size_t most, const auto& pair) { return std::max(most, pair.second); }),
      -1);
  for (const auto& [own, common] : reference.match.pairs) {
    partner[common] = static_cast<std::ptrdiff_t>(own);
  }
  std::vector<stack::FluxPair> pairs;
  for (const auto& [own, common] : sub.match.pairs) {
    if (common >= partner.size() || partner[common] < 0) continue;
    const Star& a = sub.measured.stars[own];
    const Star& b = reference.measured.stars[static_cast<std::size_t>(partner[common])];
    const bool sound = a.fitted && b.fitted && a.kind == StarClass::star &&
                       b.kind == StarClass::star && a.flux > 0.0 && b.flux > 0.0;
    if (sound) pairs.push_back({a.flux, b.flux, a.flux_error, b.flux_error});
  }
  return pairs;
}

double exposure_of(const SubState& sub) { return sub.info->exposure_s.value_or(1.0); }

void find_transparency(GroupState& group) {
  const SubState& reference = group.subs[group.photometric_reference];
  for (auto& sub : group.subs) {
    if (sub.match.status != align::MatchStatus::matched) continue;
    if (&sub == &reference) {
      sub.scale.usable = true;
      sub.scale.scale = 1.0;
    } else {
      sub.scale = stack::estimate_scale(common_fluxes(sub, reference));
      constexpr double largest_error = 0.1;
      if (!sub.scale.usable || sub.scale.error > largest_error * sub.scale.scale) {
        // Too few or too faint stars in common: exposures are the next best guess.
        sub.scale.usable = false;
        sub.scale.scale = exposure_of(reference) / std::max(exposure_of(sub), 1e-6);
        continue;
      }
    }
    sub.transparency = exposure_of(reference) / (sub.scale.scale * exposure_of(sub));
  }
  // Relative to the best: the third highest of many keeps one lucky estimate from ruling.
  std::vector<double> values;
  for (const auto& sub : group.subs) {
    if (sub.transparency > 0.0) values.push_back(sub.transparency);
  }
  if (values.empty()) return;
  std::sort(values.rbegin(), values.rend());
  const double best = values[std::min<std::size_t>(values.size() / 10, 2)];
  for (auto& sub : group.subs) sub.transparency /= best;
}

struct Typical {
  double centre = 0.0;
  double spread = 0.0;
};

// Centre and spread of the better side: a focus lost for half the night must not set the standard.
// `furthest` is how far the median may lie above the better half's own middle.
Typical better_side(std::vector<double> values, double furthest_factor, double furthest) {
  Typical typical{median(values), values.size() > 2 ? robust_sigma(values) : 0.0};
  constexpr std::size_t enough = 4;
  if (values.size() < enough) return typical;
  std::sort(values.begin(), values.end());
  values.resize((values.size() + 1) / 2);
  const double middle = median(values);
  typical.centre = std::min(typical.centre, middle * furthest_factor + furthest);
  // 2.5: sigma over the median absolute deviation of the lower half of a Gaussian (0.399 sigma).
  typical.spread = std::min(typical.spread, 2.5 * median_absolute_deviation(values));
  return typical;
}

struct Limits {
  bool look_for_doubles = false;
  double fwhm = 0.0;
  double ellipticity = 0.0;
  double transparency = 0.0;
  int stars = 0;
};

// From the session's own spread: what is far beyond it is spoiled; a mildly worse sub only weighs
// less.
Limits limits_of(const GroupState& group, const KeepLimits& owner) {
  std::vector<double> fwhm, ellipticity;
  std::size_t doubles = 0;
  for (const auto& sub : group.subs) {
    const auto& q = sub.measured.quality;
    if (!sub.usable || q.fitted < 3) continue;
    fwhm.push_back(q.fwhm_px);
    ellipticity.push_back(q.ellipticity);
    if (find_double_images(sub.measured.stars, q.fwhm_px)) ++doubles;
  }
  Limits limits;
  constexpr double kappa = 5.0;
  if (!fwhm.empty()) {
    const Typical width = better_side(fwhm, 1.25, 0.0);
    const Typical shape = better_side(ellipticity, 1.0, 0.1);
    limits.fwhm = std::max(width.centre + kappa * width.spread, 1.6 * width.centre);
    limits.ellipticity =
        std::clamp(std::max(shape.centre + kappa * shape.spread, shape.centre + 0.18), 0.25, 0.6);
  }
  // Double images in most subs are no jump of the mount but belong to the optics.
  limits.look_for_doubles = 2 * doubles < fwhm.size();
  limits.transparency = 0.5;
  limits.stars = 5;
  limits.fwhm = owner.max_fwhm_px.value_or(limits.fwhm);
  limits.ellipticity = owner.max_ellipticity.value_or(limits.ellipticity);
  limits.transparency = owner.min_transparency.value_or(limits.transparency);
  limits.stars = owner.min_stars.value_or(limits.stars);
  return limits;
}

std::string no_match_reason(const SubState& sub) {
  return fmt::format("no match with the reference: {} ({} stars here)",
                     align::to_string(sub.match.status), sub.measured.quality.stars);
}

// Empty: keep.
std::string fault_of(const SubState& sub, const Limits& limits, const KeepLimits& owner) {
  const auto& q = sub.measured.quality;
  if (!sub.usable) return sub.reason.empty() ? "could not be read" : sub.reason;
  if (named(owner.drop, sub)) return "dropped by the owner";
  if (!owner.keep_only.empty()) {
    if (!named(owner.keep_only, sub)) return "not on the owner's keep list";
    return sub.match.status == align::MatchStatus::matched ? "" : no_match_reason(sub);
  }
  if (q.status == stars::QualityStatus::no_sky) return "no usable pixels";
  // Before the cloud: the light of the second image is missing in the first.
  if (limits.look_for_doubles && q.fitted >= 3) {
    if (const auto twice = find_double_images(sub.measured.stars, q.fwhm_px)) {
      return fmt::format(
          "smeared: double images {:.1f} px apart, the second with {:.0f}% of the first's light "
          "(jump of the "
          "mount)",
          twice->distance_px, 100.0 * twice->share);
    }
  }
  if (q.fitted >= 3 && q.ellipticity > limits.ellipticity) {
    return fmt::format(
        "smeared: stars drawn out, ellipticity {:.2f}, limit {:.2f} (tracking, wind or a knock)",
        q.ellipticity, limits.ellipticity);
  }
  if (sub.transparency > 0.0 && sub.transparency < limits.transparency) {
    return fmt::format("cloud: transparency {:.2f} of the best sub, limit {:.2f}", sub.transparency,
                       limits.transparency);
  }
  if (q.fitted >= 3 && limits.fwhm > 0.0 && q.fwhm_px > limits.fwhm) {
    return fmt::format("blurred: FWHM {:.2f} px, limit {:.2f} px (focus, seeing or double images)",
                       q.fwhm_px, limits.fwhm);
  }
  if (q.stars < limits.stars) {
    return fmt::format("too few stars: {}, limit {} (cloud, dew or cap)", q.stars, limits.stars);
  }
  if (sub.match.status != align::MatchStatus::matched) return no_match_reason(sub);
  return "";
}

}  // namespace

void judge_group(GroupState& group, const KeepLimits& owner) {
  double best = -1.0;
  for (std::size_t i = 0; i < group.subs.size(); ++i) {
    const auto& sub = group.subs[i];
    const bool matched = sub.match.status == align::MatchStatus::matched;
    if (matched && promise(sub) > best) {
      best = promise(sub);
      group.photometric_reference = i;
    }
  }
  find_transparency(group);
  const Limits limits = limits_of(group, owner);
  for (auto& sub : group.subs) {
    sub.reason = fault_of(sub, limits, owner);
    sub.kept = sub.reason.empty();
  }
  // The scale everything is brought to must belong to a sub that stays.
  if (!group.subs.empty() && !group.subs[group.photometric_reference].kept) {
    best = -1.0;
    std::size_t chosen = group.photometric_reference;
    for (std::size_t i = 0; i < group.subs.size(); ++i) {
      if (group.subs[i].kept && promise(group.subs[i]) > best) {
        best = promise(group.subs[i]);
        chosen = i;
      }
    }
    const double factor = group.subs[chosen].scale.scale;
    group.photometric_reference = chosen;
    for (auto& sub : group.subs) sub.scale.scale /= factor;
  }
}

namespace {

// Level of both frames at the centres of the reference's sky cells.
std::vector<stack::SkyPair> sky_pairs(const SubState& sub, const SubState& reference,
                                      std::size_t plane) {
  std::vector<stack::SkyPair> pairs;
  const auto& mesh = reference.measured.sky[plane];
  const auto& own = sub.measured.sky[plane];
  for (int j = 0; j < mesh.mesh.level.height(); ++j) {
    for (int i = 0; i < mesh.mesh.level.width(); ++i) {
      const Point there{((i + 0.5) * mesh.mesh.cell_px - 0.5) * mesh.step + mesh.offset_x,
                        ((j + 0.5) * mesh.mesh.cell_px - 0.5) * mesh.step + mesh.offset_y};
      const Point canvas = reference.to_canvas.apply(there);
      const Point here = sub.to_canvas.unapply(canvas);
      if (here.x < 0.0 || here.y < 0.0 || here.x > sub.measured.frame.width - 1 ||
          here.y > sub.measured.frame.height - 1) {
        continue;
      }
      pairs.push_back({canvas,
                       sub.scale.scale * sub_pixels_per_canvas_pixel(sub.to_canvas, here) *
                           own.level_at(here.x, here.y),
                       sub_pixels_per_canvas_pixel(reference.to_canvas, there) *
                           mesh.level_at(there.x, there.y),
                       1.0});
    }
  }
  return pairs;
}

}  // namespace

void normalise_group(GroupState& group, Size canvas, const RunOptions& options) {
  const auto& reference = group.subs[group.photometric_reference];
  const auto planes = static_cast<std::size_t>(group.planes);
  for (auto& sub : group.subs) {
    sub.surfaces.clear();
    sub.weights.assign(planes, 0.0);
    if (!sub.kept || options.sky_matching == stack::SkyMatching::none || &sub == &reference)
      continue;
    for (std::size_t p = 0; p < planes; ++p) {
      sub.surfaces.push_back(
          stack::fit_sky_difference(sky_pairs(sub, reference, p), canvas, options.sky_matching));
    }
  }
  for (std::size_t p = 0; p < planes; ++p) {
    std::vector<stack::SubNoise> noises;
    std::vector<std::size_t> owners;
    for (std::size_t i = 0; i < group.subs.size(); ++i) {
      const auto& sub = group.subs[i];
      if (!sub.kept) continue;
      // On the canvas, where subs of different set-ups meet: the sum over an area A of pixels has
      // sqrt(A) times their noise.
      const double side = std::sqrt(sub_pixels_per_canvas_pixel(sub.to_canvas, middle_of(sub)));
      noises.push_back({sub.measured.sky[p].mesh.median_noise() * side, sub.scale.scale,
                        std::max(sub.measured.quality.fwhm_px, 0.5) / side});
      owners.push_back(i);
    }
    const auto weights = stack::sub_weights(noises, options.weighting);
    for (std::size_t k = 0; k < owners.size(); ++k) group.subs[owners[k]].weights[p] = weights[k];
  }
}

}  // namespace coldframe::session
