#include "stars/crowd.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "stars/fit_tasks.hpp"
#include "stars/group_fit.hpp"
#include "stars/grouping.hpp"
#include "stars/light_model.hpp"
#include "stars/recorded_widths.hpp"
#include "stars/sky_without.hpp"

namespace coldframe::stars {
namespace {

using Indices = std::vector<std::size_t>;

std::vector<Point> places_of(const std::vector<Source>& sources) {
  std::vector<Point> places(sources.size());
  for (std::size_t i = 0; i < sources.size(); ++i) {
    places[i] = {sources[i].star.x, sources[i].star.y};
  }
  return places;
}

LightModel model_of(const DetectionFrame& frame, const std::vector<Source>& sources,
                    const FieldProfile& profile, bool drawn, Threads threads) {
  LightModel model(sources, profile, frame.image.size(), frame.sky->median_noise());
  if (drawn) model.draw(threads);
  return model;
}

GroupSetup group_setup(const DetectionFrame& frame, const FieldProfile& profile) {
  GroupSetup setup;
  const double round = 4.0 / (profile.optical_px * profile.optical_px);
  const bool known = profile.s11 > 0.0 && profile.s22 > 0.0;
  setup.shape[par_s11] = known ? profile.s11 : round;
  setup.shape[par_s12] = known ? profile.s12 : 0.0;
  setup.shape[par_s22] = known ? profile.s22 : round;
  setup.shape[par_b] = 1.0 / profile.beta;
  setup.gaussian = profile.gaussian;
  setup.radius_px = std::max(2.0, fixed_fit_widths * profile.fwhm_px);
  setup.gain_e_per_unit = frame.gain_e_per_unit;
  setup.cfa = frame.cfa;
  return setup;
}

void fit_one_group(const DetectionFrame& frame, std::vector<Source>& sources,
                   const LightModel& model, const FieldProfile& profile, GroupSetup setup,
                   const Indices& group, const Ellipse& mean, GroupWorkspace& work) {
  const Ellipse recorded = fixed_ellipse_at(profile, mean, sources[group[0]].star);
  if (profile.surface.varies) {
    const Star& first = sources[group[0]].star;
    const ShapeMatrix local = profile.shape_at({first.x, first.y});
    setup.shape[par_s11] = local.s11;
    setup.shape[par_s12] = local.s12;
    setup.shape[par_s22] = local.s22;
  }
  std::vector<GroupMember> members(group.size());
  for (std::size_t k = 0; k < group.size(); ++k) {
    const Star& star = sources[group[k]].star;
    members[k].x = star.x;
    members[k].y = star.y;
    members[k].flux = star.flux;
    members[k].sky = star.sky;
  }
  const AllBut others(model, group);
  setup.others = &others;
  setup.sky_sigma = static_cast<double>(frame.sky->noise_at(members[0].x, members[0].y));
  fit_group(frame.image, frame.mask, setup, members, work);
  for (std::size_t k = 0; k < group.size(); ++k) {
    if (members[k].fit.converged) take_fixed(sources[group[k]], members[k].fit, recorded);
  }
}

/// Groups of sources of the field's shape; each group fitted at once.
void fit_groups(const DetectionFrame& frame, std::vector<Source>& sources,
                const FieldProfile& profile, const Indices& chosen, bool drawn, Threads threads) {
  Indices blends;
  for (const std::size_t i : chosen) {
    if (!sources[i].full_shape && !sources[i].saturated) blends.push_back(i);
  }
  if (blends.empty()) return;
  const LightModel model = model_of(frame, sources, profile, drawn, threads);
  const auto groups = group_neighbours(places_of(sources), blends, frame.image.size(),
                                       1.5 * profile.fwhm_px, max_group);
  const GroupSetup setup = group_setup(frame, profile);
  const Ellipse recorded = fixed_ellipse(profile);
  constexpr std::size_t per_task = 32;
  parallel_for(threads, (groups.size() + per_task - 1) / per_task, [&](std::size_t task) {
    GroupWorkspace work;
    const std::size_t last = std::min(groups.size(), (task + 1) * per_task);
    for (std::size_t g = task * per_task; g < last; ++g) {
      fit_one_group(frame, sources, model, profile, setup, groups[g], recorded, work);
    }
  });
}

/// Sources with a shape of their own and saturated ones, the others' light taken away.
void fit_alone(const DetectionFrame& frame, std::vector<Source>& sources,
               const FieldProfile& profile, const Indices& chosen, bool drawn, Threads threads) {
  Indices alone;
  for (const std::size_t i : chosen) {
    if (sources[i].full_shape || sources[i].saturated) alone.push_back(i);
  }
  if (alone.empty()) return;
  const LightModel model = model_of(frame, sources, profile, drawn, threads);
  const Ellipse recorded = fixed_ellipse(profile);
  const RecordedWidths widths(profile.gaussian ? 0.0 : profile.beta, profile.optical_px);
  for_each_fit(alone, threads, [&](std::size_t i, FitWorkspace& work) {
    Source& source = sources[i];
    FitSetup setup =
        source.full_shape ? setup_for(frame, source, profile) : fixed_setup(frame, source, profile);
    const std::array<std::size_t, 1> self{i};
    const AllBut others(model, self);
    setup.others = &others;
    const FitResult fit = fit_star(frame.image, frame.mask, setup, work);
    if (!fit.converged) return;
    if (source.full_shape) {
      take(source, fit, widths(fit.ellipse, fit.beta));
    } else {
      take_fixed(source, fit, fixed_ellipse_at(profile, recorded, source.star));
    }
  });
}

/// Sources that the joint fit left without light, and the fainter of two on the same place.
void drop_spurious(std::vector<Source>& sources, const FieldProfile& profile, Size frame) {
  constexpr double least_snr = 3.0;
  for (Source& s : sources) {
    if (s.converged && !s.full_shape && !s.saturated && s.star.snr < least_snr) s.dropped = true;
  }
  const std::vector<Point> places = places_of(sources);
  const double near = std::max(0.7, 0.3 * profile.fwhm_px);
  const NeighbourGrid grid(places, frame, 8.0);
  for (std::size_t i = 0; i < sources.size(); ++i) {
    if (sources[i].dropped) continue;
    grid.near(places[i], near, [&](std::size_t j, double) {
      if (j == i || sources[j].dropped || sources[i].dropped) return;
      const bool fainter = sources[j].star.flux < sources[i].star.flux ||
                           (sources[j].star.flux == sources[i].star.flux && j > i);
      if (fainter) sources[j].dropped = true;
    });
  }
}

/// A companion this close and bright leaves no room for a shape of one's own.
void give_up_shapes(std::vector<Source>& sources, const FieldProfile& profile, Size frame) {
  const std::vector<Point> places = places_of(sources);
  const double reach = 1.5 * profile.fwhm_px;
  const NeighbourGrid grid(places, frame, reach + 4.0);
  for (std::size_t i = 0; i < sources.size(); ++i) {
    if (!sources[i].full_shape) continue;
    grid.near(places[i], reach, [&](std::size_t j, double) {
      if (j == i || sources[j].dropped || sources[j].sharp) return;
      if (sources[j].star.flux > 0.25 * sources[i].star.flux) sources[i].full_shape = false;
    });
  }
}

Indices all_but_dropped(const std::vector<Source>& sources) {
  Indices list;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    if (!sources[i].dropped && !sources[i].sharp) list.push_back(i);
  }
  return list;
}

/// Sources whose fitted region holds light of another.
Indices with_neighbours(const std::vector<Source>& sources, const FieldProfile& profile,
                        Size frame) {
  const std::vector<Point> places = places_of(sources);
  const double reach = 3.5 * profile.fwhm_px;
  const NeighbourGrid grid(places, frame, reach);
  Indices list;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    if (sources[i].dropped || sources[i].sharp) continue;
    bool any = false;
    grid.near(places[i], reach, [&](std::size_t j, double) {
      any = any || (j != i && !sources[j].dropped && !sources[j].sharp &&
                    sources[j].star.flux > 0.02 * sources[i].star.flux);
    });
    if (any) list.push_back(i);
  }
  return list;
}

/// The loneliest, then brightest sources without a close bright companion get a shape of their
/// own.
void choose_shapes(std::vector<Source>& sources, const FieldProfile& profile, Size frame,
                   int max_fits) {
  Indices order = all_but_dropped(sources);
  const Crowd crowd(sources, frame, 3.0 * profile.fwhm_px);
  for (const std::size_t i : order) {
    sources[i].isolation = crowd.isolation(i, profile.fwhm_px);
    sources[i].isolated = sources[i].isolation >= 12;
  }
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    if (sources[a].isolation != sources[b].isolation) {
      return sources[a].isolation > sources[b].isolation;
    }
    return sources[a].star.flux > sources[b].star.flux;
  });
  for (const std::size_t i : order) {
    Source& s = sources[i];
    s.full_shape = s.converged && !s.saturated && !s.edge && s.star.snr > 12.0;
  }
  give_up_shapes(sources, profile, frame);
  int left = max_fits > 0 ? max_fits : static_cast<int>(sources.size());
  for (const std::size_t i : order) {
    if (sources[i].full_shape) sources[i].full_shape = left-- > 0;
  }
}

/// Longer than the field's stars but no wider: two of them in one.
bool looks_like_pair(const Source& s, const FieldProfile& profile) noexcept {
  const ShapeMatrix local = profile.shape_at({s.star.x, s.star.y});
  const Ellipse field = ellipse_of(local.s11, local.s12, local.s22);
  return s.optical_major > 1.2 * field.major && s.optical_minor < 1.2 * field.minor;
}

/// Gives sources that look like pairs the field's shape again, so that what it cannot explain
/// shows in the rest.
void reopen_pairs(const DetectionFrame& frame, std::vector<Source>& sources,
                  const FieldProfile& profile, bool drawn, Threads threads) {
  Indices pairs;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    Source& s = sources[i];
    if (s.dropped || !s.full_shape || !looks_like_pair(s, profile)) continue;
    s.full_shape = false;
    pairs.push_back(i);
  }
  fit_groups(frame, sources, profile, pairs, drawn, threads);
}

void renew_sky_levels(const DetectionFrame& frame, std::vector<Source>& sources) {
  for (Source& s : sources) {
    if (s.dropped) continue;
    s.pedestal = 0.0;
    s.star.sky = static_cast<double>(frame.sky->level_at(s.star.x, s.star.y));
  }
}

/// Peaks of what is left that no fitted light explains.
std::vector<Source> find_more(const DetectionFrame& frame, const LightModel& model,
                              const std::vector<Source>& sources, const FieldProfile& profile,
                              double threshold, Threads threads) {
  DetectionFrame rest = frame;
  rest.known_light = &model.drawn();
  FilteredFrame filtered;
  filter_frame(rest, profile.fwhm_px, threads, filtered);
  const std::vector<Point> places = places_of(sources);
  const NeighbourGrid grid(places, frame.image.size(), 2.0 * profile.fwhm_px);
  const double photon = frame.gain_e_per_unit > 0.0 ? 1.0 / frame.gain_e_per_unit : 0.0;
  const PeakLimits limits = peak_limits(profile.fwhm_px, frame.cfa);
  std::vector<Source> more;
  for (const Peak& peak : find_peaks(filtered, threshold, threads)) {
    const double sigma = static_cast<double>(frame.sky->noise_at(peak.x, peak.y));
    const double light = std::max(0.0, static_cast<double>(model.drawn()(peak.x, peak.y)));
    const double noise = std::sqrt(1.0 + light * photon / (sigma * sigma));
    // No profile is known to better than some percent of the light it stands for.
    const double doubt = 0.03 * light / (sigma * filtered.norm2d * filtered.noise_ratio);
    if (static_cast<double>(peak.value) < threshold * noise + doubt) continue;
    bool taken = false;
    grid.near({1.0 * peak.x, 1.0 * peak.y}, 0.5 * profile.fwhm_px, [&](std::size_t j, double) {
      taken = taken || (!sources[j].dropped && !sources[j].sharp);
    });
    if (taken) continue;
    Source source = inspect_peak(frame, filtered, peak, limits);
    if (!source.saturated && !source.dropped) more.push_back(source);
  }
  return more;
}

}  // namespace

bool is_crowded(const std::vector<Source>& sources) noexcept {
  constexpr std::size_t least = 60;
  std::size_t all = 0;
  std::size_t close = 0;        // to anything
  std::size_t close_light = 0;  // to what may be a star
  std::size_t sharp = 0;
  for (const Source& s : sources) {
    if (s.dropped) continue;
    if (s.sharp) {
      ++sharp;
      continue;
    }
    ++all;
    close += s.isolated ? 0 : 1;
    close_light += s.isolation < 12 ? 1 : 0;
  }
  // Of many hot pixels some pass for stars: a smaller share of neighbours says nothing then.
  if (close_light >= least && 8 * close_light >= all && 2 * sharp < all) return true;
  return close >= least && 5 * close >= all;
}

void refine_neighbours(const DetectionFrame& frame, std::vector<Source>& sources,
                       FieldProfile& profile, Threads threads) {
  const Size size = frame.image.size();
  const Indices chosen = with_neighbours(sources, profile, size);
  if (chosen.empty()) return;
  give_up_shapes(sources, profile, size);
  for (int round = 0; round < 2; ++round) {
    fit_groups(frame, sources, profile, chosen, false, threads);
    fit_alone(frame, sources, profile, chosen, false, threads);
  }
}

void resolve_crowd(const DetectionFrame& frame, const CrowdOptions& options, SkyMesh& sky,
                   std::vector<Source>& sources, FieldProfile& profile, Threads threads) {
  constexpr int rounds = 5;
  const Size size = frame.image.size();
  reopen_pairs(frame, sources, profile, true, threads);
  for (int round = 0;; ++round) {
    fit_groups(frame, sources, profile, all_but_dropped(sources), true, threads);
    drop_spurious(sources, profile, size);
    choose_shapes(sources, profile, size, options.max_fits);
    fit_alone(frame, sources, profile, all_but_dropped(sources), true, threads);
    adopt_mean_shape(sources, size, profile);
    if (round == rounds) return;
    reopen_pairs(frame, sources, profile, true, threads);
    const LightModel model = model_of(frame, sources, profile, true, threads);
    sky = measure_sky_without(frame.image, frame.mask, &model.drawn(), options.sky, threads);
    renew_sky_levels(frame, sources);
    auto more = find_more(frame, model, sources, profile, options.threshold_sigma, threads);
    // Hardly anything new: one last fit.
    if (50 * more.size() < sources.size()) round = rounds - 1;
    sources.insert(sources.end(), more.begin(), more.end());
  }
}

}  // namespace coldframe::stars
