#include "decide.hpp"

#include <fmt/format.h>

#include "owner_lists.hpp"

#include <algorithm>
#include <atomic>
#include <map>
#include <numeric>

#include "chain_registration.hpp"
#include "coldframe/align/shift_match.hpp"
#include "coldframe/core/error.hpp"
#include "double_images.hpp"
#include "given_transforms.hpp"
#include "judge.hpp"
#include "kept_grid.hpp"
#include "mosaic.hpp"
#include "reference_choice.hpp"
#include "registration.hpp"
#include "set_ups.hpp"

namespace coldframe::session {
namespace {

bool named(const std::vector<std::string>& names, const SubState& sub) {
  return listed(names, sub.name, sub.path);
}

}  // namespace

bool owner_excludes(const SubState& sub, const KeepLimits& limits) {
  return named(limits.drop, sub) || (!limits.keep_only.empty() && !named(limits.keep_only, sub));
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

namespace {

// What the reference itself cannot tell: faint subs, panels beside it.
void match_the_rest(GroupState& group, const SubState& reference, Threads threads) {
  std::vector<ChainSub> chain;
  for (auto& sub : group.subs) {
    chain.push_back({sub.measured.stars, sub.measured.frame, &sub.match, sub.usable, -1});
  }
  const auto match = [&](std::size_t sub, std::size_t through) {
    return match_subs(group.subs[sub].measured, group.subs[through].measured);
  };
  match_through_others(chain, {reference.measured.stars, reference.measured.frame}, match, threads);
  for (std::size_t i = 0; i < chain.size(); ++i) {
    if (chain[i].through < 0) continue;
    group.subs[i].through = group.subs[static_cast<std::size_t>(chain[i].through)].name;
  }
}

}  // namespace

namespace {

void find_set_ups(GroupState& group, const SubState& reference) {
  const Transform identity;
  std::vector<SetUpMember> members{{reference.info, reference.measured.frame, &identity}};
  for (const auto& sub : group.subs) {
    const bool matched = sub.match.status == align::MatchStatus::matched;
    members.push_back({sub.info, sub.measured.frame, matched ? &sub.match.transform : nullptr});
  }
  const auto set_ups = sort_by_set_up(members);
  for (std::size_t i = 0; i < group.subs.size(); ++i) group.subs[i].set_up = set_ups.of[i + 1];
}

}  // namespace

void register_group(GroupState& group, const SubState& reference, Threads threads,
                    const Watch& watch) {
  std::atomic<std::size_t> done{0};
  parallel_for(threads, group.subs.size(), [&](std::size_t i) {
    watch.check();
    auto& sub = group.subs[i];
    sub.match = {};
    sub.through.clear();
    sub.residuals.clear();
    if (&sub == &reference) {
      sub.match.status = align::MatchStatus::matched;
      sub.match.transform.model = TransformModel::affine;
      for (std::size_t s = 0; s < sub.measured.stars.size(); ++s) sub.match.pairs.push_back({s, s});
      sub.match.false_probability = 0.0;
    } else if (sub.usable && sub.given) {
      take_given(sub, reference);
    } else if (sub.usable) {
      sub.match = match_subs(sub.measured, reference.measured);
    }
    watch.report("register", done.fetch_add(1) + 1, group.subs.size());
  });
  match_the_rest(group, reference, threads);
  std::vector<RegisteredSub> registered;
  align::MatchResult own;  // the reference may belong to another group
  for (auto& sub : group.subs) {
    if (!sub.given) registered.push_back({sub.info, &sub.measured, &sub.match});
  }
  group.distortion =
      refine_registration(registered, {reference.info, &reference.measured, &own}, threads);
  if (is_mosaic(group, reference)) adjust_positions(group, reference);
  complete_registration(group, reference);
}

void complete_registration(GroupState& group, const SubState& reference) {
  find_set_ups(group, reference);
  for (auto& sub : group.subs) {
    if (&sub == &reference || sub.match.status != align::MatchStatus::matched) continue;
    sub.residuals = align::residual_vectors(sub.match, sub.measured.stars, reference.measured.stars,
                                            most_residual_vectors);
  }
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

// Another camera, aperture or gain makes other numbers of the same light.
std::string recorded_with(const FrameInfo& info) {
  return fmt::format("{}|{}|{}|{}|{}|{}", info.camera, info.telescope, info.read_out,
                     info.gain_setting.value_or(-1.0), info.binning_x, info.size.width);
}

// Relative to the best of its set-up recorded in the same way: the third highest of many keeps one
// lucky estimate from ruling. A smaller telescope is no cloud.
void relate_to_best(GroupState& group) {
  const auto recorded = [](const SubState& sub) {
    return std::pair{sub.set_up, recorded_with(*sub.info)};
  };
  std::map<std::pair<std::size_t, std::string>, std::vector<double>> values;
  for (const auto& sub : group.subs) {
    if (sub.transparency > 0.0) values[recorded(sub)].push_back(sub.transparency);
  }
  for (auto& [key, alike] : values) std::sort(alike.rbegin(), alike.rend());
  for (auto& sub : group.subs) {
    if (!(sub.transparency > 0.0)) continue;
    const auto& alike = values[recorded(sub)];
    sub.transparency /= alike[std::min<std::size_t>(alike.size() / 10, 2)];
  }
}

void find_transparency(GroupState& group) {
  const SubState& reference = group.subs[group.photometric_reference];
  std::vector<stack::ScaleEstimate> joint;
  if (is_mosaic(group, reference)) joint = joint_scales(group);
  for (std::size_t i = 0; i < group.subs.size(); ++i) {
    auto& sub = group.subs[i];
    if (sub.match.status != align::MatchStatus::matched) continue;
    if (&sub == &reference) {
      sub.scale.usable = true;
      sub.scale.scale = 1.0;
    } else {
      sub.scale = joint.empty() ? stack::estimate_scale(common_fluxes(sub, reference)) : joint[i];
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
  relate_to_best(group);
}

SubFigures figures_of(const SubState& sub, const KeepLimits& owner) {
  const auto& q = sub.measured.quality;
  SubFigures f;
  f.usable = sub.usable;
  f.set_up = sub.set_up;
  f.fault = sub.reason;
  f.matched = sub.match.status == align::MatchStatus::matched;
  f.no_match = align::to_string(sub.match.status);
  f.dropped_by_owner = named(owner.drop, sub);
  f.listed = owner.keep_only.empty() || named(owner.keep_only, sub);
  f.has_sky = q.status != stars::QualityStatus::no_sky;
  f.stars = q.stars;
  f.fitted = q.fitted;
  f.fwhm_px = q.fwhm_px;
  f.fwhm_error_px = q.fwhm_error_px;
  if (sub.info->arcsec_per_px()) f.arcsec_per_px = *sub.info->arcsec_per_px();
  f.ellipticity = q.ellipticity;
  f.ellipticity_error = q.ellipticity_error;
  f.transparency = sub.transparency;
  if (sub.scale.usable && sub.scale.scale > 0.0) {
    f.transparency_error = sub.transparency * sub.scale.error / sub.scale.scale;
  }
  f.exposure_s = exposure_of(sub);
  if (f.matched && sub.transparency > 0.0) f.noise = q.noise_per_px * sub.scale.scale;
  if (sub.usable && q.fitted >= 3) f.doubles = find_double_images(sub.measured.stars, q.fwhm_px);
  return f;
}

}  // namespace

void judge_group(GroupState& group, const KeepLimits& owner, const SubState* grid) {
  const auto is_matched = [](const SubState& sub) {
    return sub.match.status == align::MatchStatus::matched;
  };
  // Values are on the scale of the telescope whose grid they lie on, where it has a part in this.
  const bool own = std::any_of(group.subs.begin(), group.subs.end(), [&](const SubState& sub) {
    return is_matched(sub) && sub.set_up == 0;
  });
  group.photometric_reference = most_promising(
      group, [&](const SubState& sub) { return is_matched(sub) && (sub.set_up == 0 || !own); });
  // Values are promised on the reference's scale; it may have been chosen for its place in a
  // mosaic.
  for (std::size_t i = 0; i < group.subs.size(); ++i) {
    if (&group.subs[i] == grid && is_matched(*grid)) group.photometric_reference = i;
  }
  for (std::size_t i = 0; i < group.subs.size() && !group.kept_scale.empty(); ++i) {
    const auto& sub = group.subs[i];
    if (is_matched(sub) && sub_identity(sub) == group.kept_scale) group.photometric_reference = i;
  }
  find_transparency(group);
  std::vector<SubFigures> figures;
  for (const auto& sub : group.subs) figures.push_back(figures_of(sub, owner));
  const auto decisions = judge_subs(figures, owner);
  for (std::size_t i = 0; i < group.subs.size(); ++i) {
    group.subs[i].decision = decisions[i];
    group.subs[i].reason = decisions[i].words;
    group.subs[i].kept = decisions[i].kept;
  }
  // The scale everything is brought to must belong to a sub that stays.
  if (!group.subs.empty() && !group.subs[group.photometric_reference].kept) {
    const bool own_kept = std::any_of(group.subs.begin(), group.subs.end(),
                                      [](const SubState& s) { return s.kept && s.set_up == 0; });
    const auto chosen = most_promising(
        group, [&](const SubState& sub) { return sub.kept && (sub.set_up == 0 || !own_kept); });
    const double factor = group.subs[chosen].scale.scale;
    group.photometric_reference = chosen;
    for (auto& sub : group.subs) sub.scale.scale /= factor;
  }
}

}  // namespace coldframe::session
