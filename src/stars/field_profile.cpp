#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>

#include "coldframe/core/statistics.hpp"
#include "stars/fit_tasks.hpp"

namespace coldframe::stars {
namespace {

double median_of(std::vector<double> values) {
  return values.empty() ? std::numeric_limits<double>::quiet_NaN() : median_in_place(values);
}

/// Logarithm of the width that single stars have. Blends are wider, never narrower: where most
/// sources are blends, the narrow end tells.
double typical_width(const std::vector<double>& logs, bool crowded) {
  if (crowded && logs.size() >= 20) {
    std::vector<double> sorted = logs;
    const auto at = sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 5);
    std::nth_element(sorted.begin(), at, sorted.end());
    return *at;
  }
  return logs.size() >= 8 ? half_sample_mode(logs) : median_of(logs);
}

/// Sources whose own shape was fitted, by falling signal-to-noise: the better half, but sixty at
/// least. Lonely ones are preferred to bright ones, which in a crowd are blends.
std::vector<const Source*> shapes_of(const std::vector<Source>& sources, bool isolated) {
  constexpr std::size_t enough = 60;
  std::vector<const Source*> list;
  for (const Source& s : sources) {
    if (s.star.fitted && !s.dropped && s.star.snr > 8.0 && (s.isolated || !isolated)) {
      list.push_back(&s);
    }
  }
  std::stable_sort(list.begin(), list.end(),
                   [](const Source* a, const Source* b) { return a->star.snr > b->star.snr; });
  if (list.size() > enough) list.resize(std::max(enough, list.size() / 2));
  return list;
}

/// 1/beta of a star and its standard error.
struct Exponent {
  double inverse = 0.0;
  double error = 0.0;  ///< 0 = unknown
};

/// Mean of 1/beta by weight after the outliers from its median are left out; a Gaussian's is 0.
double typical_exponent(const std::vector<Exponent>& list) {
  constexpr double floor = 0.01;  // no star is that good a profile
  std::vector<double> values;
  for (const Exponent& e : list) values.push_back(e.inverse);
  const double middle = median_of(values);
  double sum = 0.0;
  double weights = 0.0;
  for (const Exponent& e : list) {
    const double error = e.error > 0.0 ? std::hypot(e.error, floor) : 0.1;
    if (std::abs(e.inverse - middle) > 3.0 * error + 0.02) continue;
    sum += e.inverse / (error * error);
    weights += 1.0 / (error * error);
  }
  return weights > 0.0 ? sum / weights : middle;
}

struct FirstFit {
  double fwhm = 0.0, optical = 0.0, snr = 0.0;
  Exponent exponent;
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
  result = {star.fwhm_px,
            std::sqrt(fit.ellipse.major * fit.ellipse.minor),
            star.snr,
            {fit.beta > 0.0 ? 1.0 / fit.beta : 0.0, fit.inverse_beta_error},
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
  std::vector<int> lonely(sources.size());
  for (std::size_t i = 0; i < sources.size(); ++i) {
    const double width = std::min(sources[i].star.fwhm_px, 0.33 * max_fit_radius);
    lonely[i] = crowd.isolated(i, 4.0 * width) ? 13 : crowd.isolation(i, width);
  }
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return lonely[a] > lonely[b]; });
  if (order.size() > limit) order.resize(limit);
  return order;
}

/// Bright sources worth a first fit.
std::vector<Source> first_candidates(const DetectionFrame& frame, const FilteredFrame& first,
                                     Threads threads) {
  constexpr double threshold = 10.0;
  constexpr std::size_t wanted = 6000;
  const PeakLimits narrowest = narrowest_limits(frame.cfa);
  std::vector<Peak> bright;
  for (const Peak& peak : find_peaks(first, threshold, threads)) {
    if (bright.size() >= wanted) break;
    const Source source = inspect_first_peak(frame, first, peak, narrowest);
    if (!source.sharp && !source.saturated && !source.edge && !source.dropped)
      bright.push_back(peak);
  }
  std::vector<Source> sources;
  for (const Peak& peak : keep_prominent(frame, first, std::move(bright), threshold, threads)) {
    sources.push_back(inspect_first_peak(frame, first, peak, narrowest));
  }
  return sources;
}

}  // namespace

ShapeMatrix FieldProfile::shape_at(Point p) const noexcept {
  if (surface.varies) return surface.at(p);
  if (s11 > 0.0 && s22 > 0.0) return {s11, s12, s22};
  const double round = 4.0 / (optical_px * optical_px);
  return {round, 0.0, round};
}

Ellipse FieldProfile::recorded_at(Point p) const noexcept {
  const ShapeMatrix s = shape_at(p);
  Ellipse ellipse = ellipse_of(s.s11, s.s12, s.s22);
  const double pixel = std::max(0.0, fwhm_px * fwhm_px - optical_px * optical_px);
  ellipse.major = std::sqrt(ellipse.major * ellipse.major + pixel);
  ellipse.minor = std::sqrt(ellipse.minor * ellipse.minor + pixel);
  return ellipse;
}

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
  std::size_t lonely = 0;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    lonely += crowd.isolated(i, 3.0 * std::min(sources[i].star.fwhm_px, 13.0)) ? std::size_t{1}
                                                                               : std::size_t{0};
  }
  std::vector<double> logs;
  for (const FirstFit& fit : fits) {
    if (fit.good) logs.push_back(std::log(fit.fwhm));
  }
  profile.crowded = 2 * lonely < sources.size() && lonely < 64;
  const double mode = typical_width(logs, profile.crowded);
  std::vector<double> widths;
  std::vector<double> optical;
  std::vector<Exponent> exponents;
  for (const FirstFit& fit : fits) {
    if (!fit.good || std::abs(std::log(fit.fwhm) - mode) > 0.3) continue;
    widths.push_back(fit.fwhm);
    optical.push_back(fit.optical);
    if (fit.snr > 50.0 && fit.exponent.inverse > 0.0) exponents.push_back(fit.exponent);
  }
  if (widths.empty()) return profile;
  profile.stars = static_cast<int>(widths.size());
  profile.fwhm_px = median_of(widths);
  profile.optical_px = median_of(optical);
  if (exponents.empty()) return profile;
  const double inverse = typical_exponent(exponents);
  profile.gaussian = inverse < 0.03;
  profile.beta = 1.0 / std::clamp(inverse, 0.03, 0.66);
  return profile;
}

FaintWidth width_of_faint(const DetectionFrame& frame, const FilteredFrame& filtered,
                          Threads threads) {
  constexpr double threshold = 6.0;
  constexpr std::size_t brightest = 25;
  const PeakLimits narrowest = narrowest_limits(frame.cfa);
  std::vector<double> widths;
  FaintWidth result;
  for (const Peak& peak : keep_prominent(frame, filtered, find_peaks(filtered, threshold, threads),
                                         threshold, threads)) {
    const Source source = inspect_first_peak(frame, filtered, peak, narrowest);
    if (source.sharp || source.saturated || source.edge || source.dropped) continue;
    ++result.peaks;
    if (widths.size() < brightest) widths.push_back(source.star.fwhm_px);
  }
  if (!widths.empty()) result.fwhm_px = median_of(widths);
  return result;
}

void adopt_mean_shape(const std::vector<Source>& sources, Size frame, FieldProfile& profile) {
  std::vector<const Source*> good = shapes_of(sources, true);
  if (good.size() < 10) good = shapes_of(sources, false);
  std::vector<ShapeSample> samples;
  for (const Source* s : good) {
    samples.push_back({{s->star.x, s->star.y}, {s->s11, s->s12, s->s22}});
  }
  profile.surface = fit_shape_surface(samples, frame);
  std::vector<double> widths;
  for (const Source* s : good) widths.push_back(std::log(s->star.fwhm_px));
  const double mode = typical_width(widths, profile.crowded);
  std::array<std::vector<double>, 5> values;
  for (const Source* s : good) {
    if (std::abs(std::log(s->star.fwhm_px) - mode) > (profile.crowded ? 0.25 : 0.35)) continue;
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

}  // namespace coldframe::stars
