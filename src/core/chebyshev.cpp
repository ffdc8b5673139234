#include "coldframe/core/chebyshev.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "core/chebyshev_kernel.hpp"

namespace coldframe {
namespace {

using Polynomials = std::array<double, chebyshev_highest_order + 1>;

// T_0 .. T_order at t by the three-term recurrence.
void polynomials(double t, int order, Polynomials& out) noexcept {
  out[0] = 1.0;
  if (order > 0) out[1] = t;
  for (std::size_t i = 2; i <= static_cast<std::size_t>(order); ++i) {
    out[i] = 2.0 * t * out[i - 1] - out[i - 2];
  }
}

// Sums over v first: what remains on one row is a series in u alone.
Polynomials row_series(const ChebyshevSurface& surface, double v) noexcept {
  Polynomials in_v{};
  polynomials(v, surface.order, in_v);
  Polynomials series{};
  std::size_t term = 0;
  for (int degree = 0; degree <= surface.order; ++degree) {
    for (int k = 0; k <= degree; ++k, ++term) {
      series[static_cast<std::size_t>(degree - k)] +=
          surface.coefficients[term] * in_v[static_cast<std::size_t>(k)];
    }
  }
  return series;
}

bool usable(const ChebyshevSurface& surface) noexcept {
  return surface.order >= 0 && surface.order <= chebyshev_highest_order &&
         surface.coefficients.size() == chebyshev_terms(surface.order) && surface.size.width > 0 &&
         surface.size.height > 0;
}

template <typename T>
void fill_row(const ChebyshevSurface& surface, int x0, int y, std::span<T> out) noexcept {
  if (!usable(surface)) {
    std::fill(out.begin(), out.end(), T{0});
    return;
  }
  const auto series = row_series(surface, chebyshev_coordinate(y, surface.size.height));
  chebyshev_row(series.data(), surface.order, x0, surface.size.width, out.data(), out.size());
}

/// The pieces of a robust fit that its passes share.
class SurfaceFitter {
 public:
  SurfaceFitter(std::span<const SurfacePoint> points, Size frame, int order)
      : points_(points),
        terms_(chebyshev_terms(order)),
        design_(points.size() * terms_),
        values_(points.size()),
        weights_(points.size()),
        scaled_(points.size()) {
    for (std::size_t i = 0; i < points.size(); ++i) {
      const auto& p = points[i];
      chebyshev_basis(chebyshev_coordinate(p.x, frame.width),
                      chebyshev_coordinate(p.y, frame.height), order, row(i));
      values_[i] = p.value;
      if (counts(p)) largest_ = std::max(largest_, std::fabs(p.value) * std::sqrt(p.weight));
    }
  }

  /// Fits with the points' weights times `factors`; false when that is not possible.
  bool fit(std::span<const double> factors) {
    std::vector<double> design;
    std::vector<double> values;
    std::vector<double> weights;
    for (std::size_t i = 0; i < points_.size(); ++i) {
      if (!counts(points_[i]) || !(factors[i] > 0.0)) continue;
      design.insert(design.end(), row(i).begin(), row(i).end());
      values.push_back(values_[i]);
      weights.push_back(points_[i].weight * factors[i]);
    }
    used_ = values.size();
    linear_ = linear_least_squares(design, terms_, values, weights);
    if (linear_.status != FitStatus::converged) return false;
    update_residuals();
    return true;
  }

  /// Residuals in units of 1/sqrt(weight); NaN for points that do not count.
  [[nodiscard]] std::span<const double> residuals() const noexcept { return scaled_; }
  [[nodiscard]] const LinearFit& linear() const noexcept { return linear_; }
  [[nodiscard]] std::size_t used() const noexcept { return used_; }

  /// Robust scale of the residuals of points with a positive factor; never below
  /// the rounding of the values, so that exact data are not torn apart.
  [[nodiscard]] double scale(std::span<const double> factors) const {
    std::vector<double> size;
    for (std::size_t i = 0; i < scaled_.size(); ++i) {
      if (factors[i] > 0.0 && std::isfinite(scaled_[i])) size.push_back(std::fabs(scaled_[i]));
    }
    const auto n = static_cast<double>(size.size());
    const auto p = static_cast<double>(terms_);
    const double freedom = n > p ? std::sqrt(n / (n - p)) : 1.0;
    return std::max(mad_to_sigma * median_in_place(std::span<double>(size)) * freedom,
                    1e-13 * largest_);
  }

  [[nodiscard]] static bool counts(const SurfacePoint& p) noexcept {
    return p.weight > 0.0 && std::isfinite(p.weight) && std::isfinite(p.value) &&
           std::isfinite(p.x) && std::isfinite(p.y);
  }

 private:
  std::span<double> row(std::size_t i) noexcept {
    return std::span(design_).subspan(i * terms_, terms_);
  }
  void update_residuals() {
    for (std::size_t i = 0; i < points_.size(); ++i) {
      double model = 0.0;
      for (std::size_t t = 0; t < terms_; ++t) {
        model += design_[i * terms_ + t] * linear_.coefficients[t];
      }
      scaled_[i] =
          counts(points_[i]) ? (values_[i] - model) * std::sqrt(points_[i].weight) : std::nan("");
    }
  }

  std::span<const SurfacePoint> points_;
  std::size_t terms_;
  std::vector<double> design_;
  std::vector<double> values_;
  std::vector<double> weights_;
  std::vector<double> scaled_;
  LinearFit linear_;
  double largest_ = 0.0;
  std::size_t used_ = 0;
};

// Huber's weights (k = 1.345 sigma: 95% efficient at the Gaussian).
void soften(const SurfaceFitter& fitter, std::vector<double>& factors) {
  const double limit = 1.345 * fitter.scale(std::vector<double>(factors.size(), 1.0));
  for (std::size_t i = 0; i < factors.size(); ++i) {
    const double size = std::fabs(fitter.residuals()[i]);
    factors[i] = size > limit ? limit / size : 1.0;
  }
}

// Hard decision about every point; true when any changed.
bool decide(const SurfaceFitter& fitter, double kappa, std::vector<double>& factors) {
  const double limit = kappa * fitter.scale(factors);
  bool changed = false;
  for (std::size_t i = 0; i < factors.size(); ++i) {
    const double keep = std::fabs(fitter.residuals()[i]) > limit ? 0.0 : 1.0;
    changed = changed || keep != factors[i];
    factors[i] = keep;
  }
  return changed;
}

bool robust_passes(SurfaceFitter& fitter, double kappa, int iterations,
                   std::vector<double>& factors) {
  if (!fitter.fit(factors)) return false;
  if (iterations <= 0) return true;
  constexpr int soft_passes = 5;
  for (int pass = 0; pass < soft_passes; ++pass) {
    soften(fitter, factors);
    if (!fitter.fit(factors)) return false;
  }
  std::fill(factors.begin(), factors.end(), 1.0);
  for (int pass = 0; pass < iterations; ++pass) {
    // The first decision always refits: the last surface came from soft weights.
    if (!decide(fitter, kappa, factors) && pass > 0) break;
    if (!fitter.fit(factors)) return false;
  }
  return true;
}

}  // namespace

void chebyshev_basis(double u, double v, int order, std::span<double> out) noexcept {
  if (order < 0 || order > chebyshev_highest_order) return;
  Polynomials in_u{};
  Polynomials in_v{};
  polynomials(u, order, in_u);
  polynomials(v, order, in_v);
  std::size_t term = 0;
  for (int degree = 0; degree <= order; ++degree) {
    for (int k = 0; k <= degree && term < out.size(); ++k, ++term) {
      out[term] = in_u[static_cast<std::size_t>(degree - k)] * in_v[static_cast<std::size_t>(k)];
    }
  }
}

double ChebyshevSurface::evaluate(Point pixel) const noexcept {
  if (!usable(*this)) return 0.0;
  const auto series = row_series(*this, chebyshev_coordinate(pixel.y, size.height));
  return clenshaw(series.data(), order, chebyshev_coordinate(pixel.x, size.width));
}

void ChebyshevSurface::evaluate_row(int x0, int y, std::span<double> out) const noexcept {
  fill_row(*this, x0, y, out);
}

void ChebyshevSurface::evaluate_row(int x0, int y, std::span<float> out) const noexcept {
  fill_row(*this, x0, y, out);
}

double ChebyshevFit::standard_error(Point pixel) const {
  const std::size_t n = chebyshev_terms(surface.order);
  if (covariance.size() != n * n) return std::nan("");
  std::vector<double> basis(n);
  chebyshev_basis(chebyshev_coordinate(pixel.x, surface.size.width),
                  chebyshev_coordinate(pixel.y, surface.size.height), surface.order, basis);
  double variance = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j < n; ++j) variance += basis[i] * covariance[i * n + j] * basis[j];
  }
  return std::sqrt(std::max(variance, 0.0));
}

ChebyshevFit fit_chebyshev(std::span<const SurfacePoint> points, Size frame, int order,
                           double kappa, int iterations) {
  if (order < 0 || order > chebyshev_highest_order || frame.width <= 0 || frame.height <= 0) {
    throw Error(ErrorKind::usage, "", "a surface needs a frame and an order from 0 to 31",
                "give another order");
  }
  ChebyshevFit fit;
  fit.surface.size = frame;
  fit.surface.order = order;
  fit.kept.assign(points.size(), 0);
  SurfaceFitter fitter(points, frame, order);
  std::vector<double> factors(points.size(), 1.0);
  const bool good = robust_passes(fitter, kappa, iterations, factors);
  fit.status = fitter.linear().status;
  fit.used = fitter.used();
  for (std::size_t i = 0; i < points.size(); ++i) {
    fit.kept[i] = SurfaceFitter::counts(points[i]) && factors[i] > 0.0 ? 1 : 0;
  }
  if (!good) return fit;
  fit.surface.coefficients = fitter.linear().coefficients;
  fit.covariance = fitter.linear().covariance;
  fit.residual_sigma = fitter.scale(factors);
  return fit;
}

}  // namespace coldframe
