#include <algorithm>
#include <cmath>

#include "stars/crowd.hpp"
#include "stars/fit_tasks.hpp"
#include "stars/recorded_widths.hpp"

namespace coldframe::stars {
namespace {

/// Loneliest sources first, the brightest of equally lonely ones. Faint ones are left to the
/// fit of fixed shape: a free one would cost their flux half its signal-to-noise and tell nothing.
std::vector<std::size_t> choose_for_full_fit(const std::vector<Source>& sources, int max_fits) {
  constexpr double least_snr = 10.0;  // of the detection
  std::vector<std::size_t> list;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    const Source& s = sources[i];
    const bool worth = s.star.snr >= least_snr;
    if (worth && !s.dropped && !s.sharp && !s.saturated && !s.edge) list.push_back(i);
  }
  std::stable_sort(list.begin(), list.end(), [&](std::size_t a, std::size_t b) {
    return sources[a].isolation > sources[b].isolation;
  });
  const std::size_t limit = max_fits > 0 ? static_cast<std::size_t>(max_fits) : list.size();
  if (list.size() > limit) list.resize(limit);
  return list;
}

}  // namespace

FitSetup setup_for(const DetectionFrame& frame, const Source& source, const FieldProfile& profile) {
  FitSetup setup;
  setup.x = source.star.x;
  setup.y = source.star.y;
  setup.flux = source.star.flux;
  setup.sky = source.star.sky;
  setup.fwhm = profile.optical_px;
  setup.s11 = profile.s11;
  setup.s12 = profile.s12;
  setup.s22 = profile.s22;
  setup.beta = profile.beta;
  setup.gaussian = profile.gaussian;
  setup.radius_px = fit_radius(profile.fwhm_px);
  setup.sky_sigma = static_cast<double>(frame.sky->noise_at(source.star.x, source.star.y));
  setup.gain_e_per_unit = frame.gain_e_per_unit;
  setup.cfa = frame.cfa;
  return setup;
}

FitSetup fixed_setup(const DetectionFrame& frame, const Source& source,
                     const FieldProfile& profile) {
  FitSetup setup = setup_for(frame, source, profile);
  setup.free_shape = false;
  if (profile.surface.varies) {
    const ShapeMatrix local = profile.shape_at({source.star.x, source.star.y});
    setup.s11 = local.s11;
    setup.s12 = local.s12;
    setup.s22 = local.s22;
  }
  setup.free_sky = source.saturated;
  if (source.saturated) {
    setup.flux = 0.0;
    setup.radius_px =
        std::min(max_fit_radius, static_cast<int>(source.saturated_radius) + setup.radius_px);
  } else {
    setup.radius_px =
        std::max(2, static_cast<int>(std::lround(fixed_fit_widths * profile.fwhm_px)));
  }
  return setup;
}

void take(Source& source, const FitResult& fit, const Ellipse& recorded) {
  source.converged = true;
  source.optical_major = fit.ellipse.major;
  source.optical_minor = fit.ellipse.minor;
  source.s11 = fit.s11;
  source.s12 = fit.s12;
  source.s22 = fit.s22;
  source.spread_ratio = fit.spread_ratio;
  source.spread_error = fit.spread_error;
  source.spread_along = fit.spread_along;
  source.star = star_from_fit(fit, source.star, recorded);
}

void take_fixed(Source& source, const FitResult& fit, const Ellipse& recorded) {
  const double top = source.star.peak;
  take(source, fit, recorded);
  source.star.fitted = false;  // shape assumed, not measured
  source.star.fwhm_error_px = 0.0;
  if (!source.saturated) source.star.peak = top;
}

/// The field's profile as recorded: the shape of all fits of fixed shape.
Ellipse fixed_ellipse(const FieldProfile& profile) {
  const double s = 4.0 / (profile.optical_px * profile.optical_px);
  const bool known = profile.s11 > 0.0 && profile.s22 > 0.0;
  const Ellipse optical =
      known ? ellipse_of(profile.s11, profile.s12, profile.s22) : ellipse_of(s, 0.0, s);
  return recorded_ellipse(optical, profile.gaussian ? 0.0 : profile.beta);
}

namespace {

void fit_full_shapes(const DetectionFrame& frame, std::vector<Source>& sources,
                     const FieldProfile& profile, const Crowd& crowd, int max_fits,
                     Threads threads) {
  const std::vector<std::size_t> full = choose_for_full_fit(sources, max_fits);
  const RecordedWidths recorded(profile.gaussian ? 0.0 : profile.beta, profile.optical_px);
  for_each_fit(full, threads, [&](std::size_t i, FitWorkspace& work) {
    NeighbourStore store{};
    FitSetup setup = setup_for(frame, sources[i], profile);
    setup.neighbours = crowd.around(i, store);
    const FitResult fit = fit_star(frame.image, frame.mask, setup, work);
    sources[i].full_shape = fit.converged;
    if (fit.converged) take(sources[i], fit, recorded(fit.ellipse, fit.beta));
  });
}

void fit_fixed_shapes(const DetectionFrame& frame, std::vector<Source>& sources,
                      const FieldProfile& profile, const Crowd& crowd, Threads threads) {
  std::vector<std::size_t> rest;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    if (!sources[i].dropped && !sources[i].sharp && !sources[i].converged) rest.push_back(i);
  }
  const Ellipse fixed = fixed_ellipse(profile);
  for_each_fit(rest, threads, [&](std::size_t i, FitWorkspace& work) {
    NeighbourStore store{};
    FitSetup setup = fixed_setup(frame, sources[i], profile);
    setup.neighbours = crowd.around(i, store);
    const FitResult fit = fit_star(frame.image, frame.mask, setup, work);
    if (!fit.converged) return;
    take_fixed(sources[i], fit, fixed_ellipse_at(profile, fixed, sources[i].star));
  });
}

/// Light that the field's profile does not suit well.
bool looks_odd(const Source& s) noexcept {
  constexpr double least_snr = 15.0;
  if (s.dropped || s.sharp || s.saturated || s.edge || !s.converged || s.full_shape) return false;
  if (s.star.snr < least_snr || !(s.spread_error > 0.0)) return false;
  return s.spread_along > 1.10 + 4.0 * s.spread_error ||
         s.star.chi2_per_dof > 3.0 + std::pow(0.03 * s.star.snr, 2);
}

/// A shape of their own for sources that look like anything but a star: galaxies, pairs, dashes.
void fit_odd_shapes(const DetectionFrame& frame, std::vector<Source>& sources,
                    const FieldProfile& profile, const Crowd& crowd, Threads threads) {
  constexpr std::size_t most = 2000;
  std::vector<std::size_t> odd;
  for (std::size_t i = 0; i < sources.size() && odd.size() < most; ++i) {
    if (looks_odd(sources[i])) odd.push_back(i);
  }
  for_each_fit(odd, threads, [&](std::size_t i, FitWorkspace& work) {
    NeighbourStore store{};
    FitSetup setup = setup_for(frame, sources[i], profile);
    setup.neighbours = crowd.around(i, store);
    const FitResult fit = fit_star(frame.image, frame.mask, setup, work);
    if (!fit.converged) return;
    sources[i].suspect = true;
    take(sources[i], fit, recorded_ellipse(fit.ellipse, fit.beta));
  });
}

}  // namespace

void fit_sources(const DetectionFrame& frame, std::vector<Source>& sources, FieldProfile& profile,
                 int max_fits, Threads threads) {
  const Crowd crowd(sources, frame.image.size(), fit_radius(profile.fwhm_px) + 2.0);
  for (std::size_t i = 0; i < sources.size(); ++i) {
    sources[i].isolated = crowd.isolated(i, 3.0 * profile.fwhm_px);
    sources[i].isolation = sources[i].isolated ? 12 : crowd.isolation(i, profile.fwhm_px);
  }
  fit_full_shapes(frame, sources, profile, crowd, max_fits, threads);
  adopt_mean_shape(sources, frame.image.size(), profile);
  if (is_crowded(sources)) return;  // resolve_crowd fits the others together
  fit_fixed_shapes(frame, sources, profile, crowd, threads);
  refine_neighbours(frame, sources, profile, threads);
  fit_odd_shapes(frame, sources, profile, crowd, threads);
}

}  // namespace coldframe::stars
