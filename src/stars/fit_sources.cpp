#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <memory>
#include <numeric>

#include "coldframe/core/statistics.hpp"
#include "stars/neighbour_grid.hpp"
#include "stars/source.hpp"
#include "stars/star_from_fit.hpp"

namespace coldframe::stars {
namespace {

constexpr std::size_t fits_per_task = 8;
constexpr std::size_t max_neighbours = 24;

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

void take(Source& source, const FitResult& fit, const Ellipse& recorded) {
  source.converged = true;
  source.optical_major = fit.ellipse.major;
  source.optical_minor = fit.ellipse.minor;
  source.s11 = fit.s11;
  source.s12 = fit.s12;
  source.s22 = fit.s22;
  source.spread_ratio = fit.spread_ratio;
  source.spread_error = fit.spread_error;
  source.star = star_from_fit(fit, source.star, recorded);
}

/// Runs `fit_one(source index, workspace)` over a list, a few per task.
template <typename FitOne>
void for_each_fit(const std::vector<std::size_t>& list, Threads threads, const FitOne& fit_one) {
  const std::size_t tasks = (list.size() + fits_per_task - 1) / fits_per_task;
  parallel_for(threads, tasks, [&](std::size_t task) {
    const auto work = std::make_unique<FitWorkspace>();
    const std::size_t last = std::min(list.size(), (task + 1) * fits_per_task);
    for (std::size_t k = task * fits_per_task; k < last; ++k) fit_one(list[k], *work);
  });
}

class Crowd {
 public:
  Crowd(const std::vector<Source>& sources, Size frame, double reach)
      : sources_(sources),
        places_(places_of(sources)),
        grid_(places_, frame, reach),
        reach_(reach) {}

  /// Other sources that could share the fitted region; the nearest ones.
  std::span<const Point> around(std::size_t i, std::array<Point, max_neighbours>& store) const {
    std::array<double, max_neighbours> distance{};
    std::size_t count = 0;
    grid_.near(places_[i], reach_, [&](std::size_t j, double d2) {
      if (j == i || sources_[j].dropped) return;
      // Too faint to matter beside this one.
      if (sources_[j].peak.value < 0.01F * sources_[i].peak.value) return;
      std::size_t at = count < max_neighbours ? count++ : max_neighbours;
      if (at == max_neighbours) {
        const auto farthest = std::max_element(distance.begin(), distance.end());
        if (*farthest <= d2) return;
        at = static_cast<std::size_t>(farthest - distance.begin());
      }
      distance[at] = d2;
      store[at] = places_[j];
    });
    return {store.data(), count};
  }

  [[nodiscard]] bool isolated(std::size_t i, double radius) const {
    bool alone = true;
    grid_.near(places_[i], radius, [&](std::size_t j, double) {
      if (j != i && !sources_[j].dropped &&
          sources_[j].peak.value > 0.1F * sources_[i].peak.value) {
        alone = false;
      }
    });
    return alone;
  }

 private:
  static std::vector<Point> places_of(const std::vector<Source>& sources) {
    std::vector<Point> places(sources.size());
    for (std::size_t i = 0; i < sources.size(); ++i)
      places[i] = {sources[i].star.x, sources[i].star.y};
    return places;
  }
  const std::vector<Source>& sources_;
  std::vector<Point> places_;
  NeighbourGrid grid_;
  double reach_;
};

/// Brightest isolated sources first, then brightest of the others.
std::vector<std::size_t> choose_for_full_fit(const std::vector<Source>& sources, int max_fits) {
  std::vector<std::size_t> list;
  const std::size_t limit = max_fits > 0 ? static_cast<std::size_t>(max_fits) : sources.size();
  for (const bool isolated : {true, false}) {
    for (std::size_t i = 0; i < sources.size() && list.size() < limit; ++i) {
      const Source& s = sources[i];
      if (s.isolated == isolated && !s.dropped && !s.sharp && !s.saturated && !s.edge)
        list.push_back(i);
    }
  }
  return list;
}

double median_of(std::vector<double> values) {
  return values.empty() ? std::numeric_limits<double>::quiet_NaN() : median_in_place(values);
}

/// Median ellipse of the well fitted stars becomes the profile for the others.
void adopt_mean_shape(const std::vector<Source>& sources, FieldProfile& profile) {
  std::vector<double> widths;
  std::vector<const Source*> good;
  for (const Source& s : sources) {
    if (!s.star.fitted || s.star.snr < 15.0) continue;
    good.push_back(&s);
    widths.push_back(std::log(s.star.fwhm_px));
  }
  const double mode = half_sample_mode(widths);
  std::array<std::vector<double>, 5> values;
  for (const Source* s : good) {
    if (std::abs(std::log(s->star.fwhm_px) - mode) > 0.35) continue;
    const std::array<double, 5> row{s->s11, s->s12, s->s22, s->star.fwhm_px,
                                    std::sqrt(s->optical_major * s->optical_minor)};
    for (std::size_t k = 0; k < row.size(); ++k) values[k].push_back(row[k]);
  }
  if (values[0].size() < 3) return;
  profile.stars = static_cast<int>(values[0].size());
  profile.s11 = median_of(values[0]);
  profile.s12 = median_of(values[1]);
  profile.s22 = median_of(values[2]);
  profile.fwhm_px = median_of(values[3]);
  profile.optical_px = median_of(values[4]);
}

/// The field's profile as recorded: the shape of all fits of fixed shape.
Ellipse fixed_ellipse(const FieldProfile& profile) {
  const double s = 4.0 / (profile.optical_px * profile.optical_px);
  const bool known = profile.s11 > 0.0 && profile.s22 > 0.0;
  const Ellipse optical =
      known ? ellipse_of(profile.s11, profile.s12, profile.s22) : ellipse_of(s, 0.0, s);
  return recorded_ellipse(optical, profile.gaussian ? 0.0 : profile.beta);
}

struct FirstFit {
  double fwhm = 0.0, optical = 0.0, beta = 0.0, snr = 0.0;
  bool good = false;
};

FirstFit first_fit(const DetectionFrame& frame, const Source& source,
                   std::span<const Point> neighbours, FitWorkspace& work) {
  FieldProfile guess;
  guess.fwhm_px = source.star.fwhm_px;
  guess.optical_px = optical_fwhm(source.star.fwhm_px, 3.5);
  FitSetup setup = setup_for(frame, source, guess);
  setup.neighbours = neighbours;
  setup.flux = 0.0;  // the filtered flux is wrong when the width is
  setup.free_beta = true;
  FitResult fit = fit_star(frame.image, frame.mask, setup, work);
  if (!fit.converged) {
    setup.free_beta = false;
    fit = fit_star(frame.image, frame.mask, setup, work);
  }
  FirstFit result;
  if (!fit.converged || fit.flux_error <= 0.0) return result;
  const Star star = star_from_fit(fit, source.star, recorded_ellipse(fit.ellipse, fit.beta));
  result = {star.fwhm_px, std::sqrt(fit.ellipse.major * fit.ellipse.minor), fit.beta, star.snr,
            true};
  // Cosmic rays and pairs of hot pixels: narrower than a pixel in one direction.
  result.good =
      star.snr > 8.0 && fit.ellipse.minor > 0.45 && star.fwhm_major_px < 2.5 * star.fwhm_minor_px;
  return result;
}

/// The first `limit` of a list sorted by brightness, lonely ones before the others.
std::vector<std::size_t> isolated_first(const std::vector<Source>& sources, const Crowd& crowd,
                                        std::size_t limit) {
  std::vector<std::size_t> order(sources.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_partition(order.begin(), order.end(), [&](std::size_t i) {
    return crowd.isolated(i, std::min(4.0 * sources[i].star.fwhm_px, 1.0 * max_fit_radius));
  });
  if (order.size() > limit) order.resize(limit);
  return order;
}

/// Bright sources worth a first fit.
std::vector<Source> first_candidates(const DetectionFrame& frame, const FilteredFrame& first,
                                     Threads threads) {
  constexpr double threshold = 10.0;
  constexpr std::size_t wanted = 6000;
  std::vector<Peak> bright;
  for (const Peak& peak : find_peaks(first, threshold, threads)) {
    if (bright.size() >= wanted) break;
    const Source source = inspect_first_peak(frame, first, peak);
    if (!source.sharp && !source.saturated && !source.edge && !source.dropped)
      bright.push_back(peak);
  }
  std::vector<Source> sources;
  for (const Peak& peak : keep_prominent(frame, first, std::move(bright), threshold, threads)) {
    sources.push_back(inspect_first_peak(frame, first, peak));
  }
  return sources;
}

}  // namespace

double half_sample_mode(std::vector<double> values) {
  if (values.empty()) return std::numeric_limits<double>::quiet_NaN();
  std::sort(values.begin(), values.end());
  std::size_t first = 0;
  std::size_t n = values.size();
  while (n > 3) {
    const std::size_t half = (n + 1) / 2;
    std::size_t best = first;
    for (std::size_t i = first; i + half <= first + n; ++i) {
      if (values[i + half - 1] - values[i] < values[best + half - 1] - values[best]) best = i;
    }
    first = best;
    n = half;
  }
  if (n == 3) {
    const bool lower = values[first + 1] - values[first] < values[first + 2] - values[first + 1];
    return lower ? 0.5 * (values[first] + values[first + 1])
                 : 0.5 * (values[first + 1] + values[first + 2]);
  }
  return n == 2 ? 0.5 * (values[first] + values[first + 1]) : values[first];
}

FieldProfile find_field_profile(const DetectionFrame& frame, const FilteredFrame& first,
                                Threads threads) {
  FieldProfile profile;
  const std::vector<Source> sources = first_candidates(frame, first, threads);
  std::vector<FirstFit> fits(sources.size());
  const Crowd crowd(sources, frame.image.size(), max_fit_radius);
  for_each_fit(isolated_first(sources, crowd, 64), threads, [&](std::size_t i, FitWorkspace& work) {
    std::array<Point, max_neighbours> store{};
    fits[i] = first_fit(frame, sources[i], crowd.around(i, store), work);
  });
  std::vector<double> logs;
  for (const FirstFit& fit : fits) {
    if (fit.good) logs.push_back(std::log(fit.fwhm));
  }
  const double mode = logs.size() >= 8 ? half_sample_mode(logs) : median_of(logs);
  std::vector<double> widths;
  std::vector<double> optical;
  std::vector<double> inverse_betas;
  for (const FirstFit& fit : fits) {
    if (!fit.good || std::abs(std::log(fit.fwhm) - mode) > 0.3) continue;
    widths.push_back(fit.fwhm);
    optical.push_back(fit.optical);
    if (fit.snr > 50.0 && fit.beta > 0.0) inverse_betas.push_back(1.0 / fit.beta);
  }
  if (widths.empty()) return profile;
  profile.stars = static_cast<int>(widths.size());
  profile.fwhm_px = median_of(widths);
  profile.optical_px = median_of(optical);
  if (inverse_betas.empty()) return profile;
  // The median of 1/beta: symmetric about a Gaussian's 0 as far as the bound lets it.
  const double inverse = median_of(inverse_betas);
  profile.gaussian = inverse < 0.03;
  profile.beta = 1.0 / std::clamp(inverse, 0.03, 0.66);
  return profile;
}

void fit_sources(const DetectionFrame& frame, std::vector<Source>& sources, FieldProfile& profile,
                 int max_fits, Threads threads) {
  const Crowd crowd(sources, frame.image.size(), fit_radius(profile.fwhm_px) + 2.0);
  for (std::size_t i = 0; i < sources.size(); ++i) {
    sources[i].isolated = crowd.isolated(i, 3.0 * profile.fwhm_px);
  }
  const std::vector<std::size_t> full = choose_for_full_fit(sources, max_fits);
  for_each_fit(full, threads, [&](std::size_t i, FitWorkspace& work) {
    std::array<Point, max_neighbours> store{};
    FitSetup setup = setup_for(frame, sources[i], profile);
    setup.neighbours = crowd.around(i, store);
    const FitResult fit = fit_star(frame.image, frame.mask, setup, work);
    if (fit.converged) take(sources[i], fit, recorded_ellipse(fit.ellipse, fit.beta));
  });
  adopt_mean_shape(sources, profile);
  std::vector<std::size_t> rest;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    if (!sources[i].dropped && !sources[i].sharp && !sources[i].converged) rest.push_back(i);
  }
  const Ellipse fixed = fixed_ellipse(profile);
  for_each_fit(rest, threads, [&](std::size_t i, FitWorkspace& work) {
    std::array<Point, max_neighbours> store{};
    FitSetup setup = setup_for(frame, sources[i], profile);
    setup.neighbours = crowd.around(i, store);
    setup.free_shape = false;
    setup.free_sky = sources[i].saturated;
    if (sources[i].saturated) {
      setup.flux = 0.0;
      setup.radius_px =
          std::min(max_fit_radius, static_cast<int>(sources[i].saturated_radius) + setup.radius_px);
    } else {
      setup.radius_px = std::max(2, static_cast<int>(std::lround(1.2 * profile.fwhm_px)));
    }
    const FitResult fit = fit_star(frame.image, frame.mask, setup, work);
    if (!fit.converged) return;
    const double top = sources[i].star.peak;
    take(sources[i], fit, fixed);
    sources[i].star.fitted = false;  // shape assumed, not measured
    sources[i].star.fwhm_error_px = 0.0;
    if (!sources[i].saturated) sources[i].star.peak = top;
  });
}

}  // namespace coldframe::stars
