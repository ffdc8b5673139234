#include "coldframe/stack/normalise.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "coldframe/core/chebyshev.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::stack {
namespace {

/// One logarithmic flux ratio and its variance from the photometric errors.
struct LogRatio {
  double value = 0.0;
  double variance = 0.0;
  bool kept = true;
};

std::vector<LogRatio> log_ratios(std::span<const FluxPair> pairs) {
  std::vector<LogRatio> ratios;
  for (const FluxPair& p : pairs) {
    if (!(p.sub > 0.0) || !(p.reference > 0.0)) continue;
    const double a = p.sub_error / p.sub;
    const double b = p.reference_error / p.reference;
    const LogRatio ratio{std::log(p.reference / p.sub), a * a + b * b, true};
    if (std::isfinite(ratio.value) && std::isfinite(ratio.variance)) ratios.push_back(ratio);
  }
  return ratios;
}

double median_of(std::span<const LogRatio> ratios, double LogRatio::*member) {
  std::vector<double> values;
  for (const LogRatio& r : ratios) {
    if (r.kept) values.push_back(r.*member);
  }
  return median_in_place(values);
}

/// Scatter beyond the errors (flat fields, variable stars that stay within the limits).
double excess_variance(std::span<const LogRatio> ratios, double centre) {
  std::vector<double> values;
  for (const LogRatio& r : ratios) {
    if (r.kept) values.push_back(std::fabs(r.value - centre));
  }
  const std::size_t n = values.size();
  const double sigma = mad_to_sigma * median_in_place(values) * mad_bias_factor(n);
  return std::max(0.0, sigma * sigma - median_of(ratios, &LogRatio::variance));
}

struct WeightedMean {
  double value = 0.0;
  double weight = 0.0;
  std::size_t count = 0;
};

WeightedMean mean_of(std::span<const LogRatio> ratios, double excess) noexcept {
  WeightedMean m;
  double sum = 0.0;
  for (const LogRatio& r : ratios) {
    if (!r.kept) continue;
    const double w = 1.0 / (r.variance + excess + 1e-12);
    sum += w * r.value;
    m.weight += w;
    ++m.count;
  }
  m.value = sum / m.weight;
  return m;
}

bool clip(std::span<LogRatio> ratios, double centre, double excess) noexcept {
  constexpr double kappa = 3.5;
  bool changed = false;
  for (LogRatio& r : ratios) {
    const double d = r.value - centre;
    const bool keep = d * d <= kappa * kappa * (r.variance + excess + 1e-12);
    changed = changed || keep != r.kept;
    r.kept = keep;
  }
  return changed;
}

std::size_t kept_count(std::span<const LogRatio> ratios) noexcept {
  return static_cast<std::size_t>(
      std::count_if(ratios.begin(), ratios.end(), [](const LogRatio& r) { return r.kept; }));
}

}  // namespace

ScaleEstimate estimate_scale(std::span<const FluxPair> pairs) {
  ScaleEstimate result;
  std::vector<LogRatio> ratios = log_ratios(pairs);
  if (ratios.size() < 3) return result;
  double centre = median_of(ratios, &LogRatio::value);
  double excess = excess_variance(ratios, centre);
  for (int pass = 0; pass < 10; ++pass) {
    const bool changed = clip(ratios, centre, excess);
    if (kept_count(ratios) < 3) return result;
    centre = mean_of(ratios, excess).value;
    excess = excess_variance(ratios, centre);
    if (!changed && pass > 0) break;
  }
  const WeightedMean final = mean_of(ratios, excess);
  result.usable = true;
  result.scale = std::exp(final.value);
  result.error = result.scale / std::sqrt(final.weight);
  result.pairs = final.count;
  return result;
}

double SkySurface::at(double x, double y) const noexcept {
  if (coefficients.empty()) return 0.0;
  constexpr std::size_t most = 64;
  std::array<double, most> terms;
  const std::size_t count = std::min(coefficients.size(), most);
  const double u = chebyshev_coordinate(x, frame.width);
  const double v = chebyshev_coordinate(y, frame.height);
  chebyshev_basis(u, v, order, std::span(terms).first(count));
  double sum = 0.0;
  for (std::size_t k = 0; k < count; ++k) sum += coefficients[k] * terms[k];
  return sum;
}

namespace {

/// The error at corners and edges, against that of points spread evenly over the frame: a
/// surface must not be extrapolated far beyond the points that carry it.
bool supported(const ChebyshevFit& fit, Size frame, double mean_weight) {
  double allowed = 0.0;  // squared error at a corner of n even points of unit weight, times n
  for (int i = 0; i <= fit.surface.order; ++i) {
    for (int k = 0; i + k <= fit.surface.order; ++k) allowed += (2.0 * i + 1.0) * (2.0 * k + 1.0);
  }
  constexpr double slack = 6.0;
  const double scale = mean_weight * static_cast<double>(fit.used);
  for (const double fx : {0.0, 0.5, 1.0}) {
    for (const double fy : {0.0, 0.5, 1.0}) {
      const double error = fit.standard_error({fx * (frame.width - 1), fy * (frame.height - 1)});
      if (!(error * error * scale <= slack * allowed)) return false;
    }
  }
  return true;
}

double mean_kept_weight(std::span<const SurfacePoint> points, const ChebyshevFit& fit) noexcept {
  double sum = 0.0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (fit.kept[i] != 0) sum += points[i].weight;
  }
  return fit.used > 0 ? sum / static_cast<double>(fit.used) : 0.0;
}

double rms_of(std::span<const SurfacePoint> points, const ChebyshevFit& fit) noexcept {
  double sum = 0.0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (fit.kept[i] == 0) continue;
    const double d = points[i].value - fit.surface.evaluate({points[i].x, points[i].y});
    sum += d * d;
  }
  return fit.used > 0 ? std::sqrt(sum / static_cast<double>(fit.used)) : 0.0;
}

std::vector<SurfacePoint> points_of(std::span<const SkyPair> pairs) {
  std::vector<SurfacePoint> points;
  for (const SkyPair& p : pairs) {
    const SurfacePoint point{p.position.x, p.position.y, p.reference - p.sub, p.weight};
    const bool usable = std::isfinite(point.value) && std::isfinite(p.reference) &&
                        std::isfinite(point.weight) && point.weight > 0.0;
    if (usable) points.push_back(point);
  }
  return points;
}

/// Where an object shines above the sky, an error of the scale leaves a share of its light in the
/// difference: such cells say less about the sky. `rms`: scatter of the differences.
void weigh_down_objects(std::span<const SkyPair> pairs, double rms,
                        std::vector<SurfacePoint>& points) {
  constexpr double scale_error = 0.005;
  std::vector<double> levels;
  for (const SkyPair& p : pairs) {
    if (std::isfinite(p.reference)) levels.push_back(p.reference);
  }
  const double spread = robust_sigma(levels);
  const double sky = median_in_place(levels);
  constexpr double least = 0.002;  // of the spread: scales are never known better
  const double unknown = rms * rms + least * least * spread * spread;
  std::size_t k = 0;
  for (const SkyPair& p : pairs) {
    const bool usable =
        std::isfinite(p.reference - p.sub) && std::isfinite(p.weight) && p.weight > 0.0;
    if (!usable) continue;
    const double left = scale_error * std::max(p.reference - sky, 0.0);
    if (unknown > 0.0) points[k].weight = p.weight / (1.0 + left * left / unknown);
    ++k;
  }
}

bool converged(const ChebyshevFit& fit) noexcept {
  return fit.status == FitStatus::converged || fit.status == FitStatus::iteration_limit;
}

/// The highest order that the positions carry, fitted robustly; order -1 when there is none.
ChebyshevFit fit_highest(std::span<const SurfacePoint> points, Size frame, int highest) {
  for (int degree = highest; degree >= 0; --degree) {
    if (points.size() < (degree == 0 ? 1 : 2 * chebyshev_terms(degree))) continue;
    ChebyshevFit fit = fit_chebyshev(points, frame, degree, 3.0, 10);
    if (!converged(fit)) continue;
    if (degree == 0 || supported(fit, frame, mean_kept_weight(points, fit))) return fit;
  }
  ChebyshevFit none;
  none.surface.order = -1;
  return none;
}

double squares_of(std::span<const SurfacePoint> points, const ChebyshevFit& fit) noexcept {
  double sum = 0.0;
  for (const SurfacePoint& p : points) {
    const double d = p.value - fit.surface.evaluate({p.x, p.y});
    sum += p.weight * d * d;
  }
  return sum;
}

/// The order that the data ask for, by the Bayesian information criterion (Schwarz 1978, Ann. Stat.
/// 6, 461) over the points that the highest order kept. Twice its penalty: neighbouring cells of a
/// smoothed mesh are not independent. A needless term would print the meshes' noise into the
/// result.
ChebyshevFit fit_significant(std::span<const SurfacePoint> points, Size frame,
                             const ChebyshevFit& highest) {
  std::vector<SurfacePoint> kept;
  double size = 0.0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (highest.kept[i] == 0) continue;
    kept.push_back(points[i]);
    size += points[i].weight * points[i].value * points[i].value;
  }
  const auto n = static_cast<double>(kept.size());
  const double exact = 1e-18 * size + 1e-300;  // rounding; no order explains it better
  ChebyshevFit best;
  double lowest = 0.0;
  for (int degree = 0; degree <= highest.surface.order; ++degree) {
    constexpr double no_clipping = 1e6;
    ChebyshevFit fit = fit_chebyshev(kept, frame, degree, no_clipping, 1);
    if (!converged(fit)) continue;
    const double cost = n * std::log((squares_of(kept, fit) + exact) / n) +
                        2.0 * static_cast<double>(chebyshev_terms(degree)) * std::log(n);
    if (!best.surface.coefficients.empty() && !(cost < lowest)) continue;
    lowest = cost;
    best = std::move(fit);
  }
  return best;
}

}  // namespace

SkySurface fit_sky_difference(std::span<const SkyPair> pairs, Size frame, SkyMatching method,
                              int order) {
  SkySurface surface{frame, 0, {}, 0.0};
  if (method == SkyMatching::none) return surface;
  std::vector<SurfacePoint> points = points_of(pairs);
  const int most = method == SkyMatching::level ? 0 : std::clamp(order, 0, 8);
  ChebyshevFit highest = fit_highest(points, frame, most);
  if (highest.surface.order < 0) return surface;
  weigh_down_objects(pairs, rms_of(points, highest), points);
  highest = fit_highest(points, frame, most);
  if (highest.surface.order < 0) return surface;
  const ChebyshevFit chosen =
      highest.surface.order > 0 ? fit_significant(points, frame, highest) : highest;
  if (chosen.surface.coefficients.empty()) return surface;
  surface.order = chosen.surface.order;
  surface.coefficients = chosen.surface.coefficients;
  surface.rms = rms_of(points, highest);
  return surface;
}

void take_out_mean_slopes(std::span<SkySurface* const> surfaces, std::span<const double> weights) {
  double total = 0.0;
  std::vector<double> mean;
  int order = 0;
  for (std::size_t i = 0; i < surfaces.size(); ++i) {
    const auto& c = surfaces[i]->coefficients;
    total += weights[i];
    order = std::max(order, surfaces[i]->order);
    if (mean.size() < c.size()) mean.resize(c.size(), 0.0);
    for (std::size_t k = 1; k < c.size(); ++k) mean[k] += weights[i] * c[k];
  }
  if (!(total > 0.0) || order == 0) return;
  for (SkySurface* surface : surfaces) {
    surface->order = order;
    surface->coefficients.resize(mean.size(), 0.0);
    for (std::size_t k = 1; k < mean.size(); ++k) surface->coefficients[k] -= mean[k] / total;
  }
}

}  // namespace coldframe::stack
