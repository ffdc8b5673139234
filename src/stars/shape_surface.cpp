#include "stars/shape_surface.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::stars {
namespace {

constexpr std::size_t components = 3;
constexpr std::size_t least_samples = 40;

using Terms = std::array<double, 6>;
using Values = std::array<double, components>;

Terms terms_at(Point centre, double scale, Point p) noexcept {
  const double u = (p.x - centre.x) / scale;
  const double v = (p.y - centre.y) / scale;
  return {1.0, u, v, u * u, u * v, v * v};
}

/// ln of the area (root of the determinant of the inverse) and the shape vector.
Values values_of(const ShapeMatrix& s) noexcept {
  const double sum = s.s11 + s.s22;
  return {-0.5 * std::log(s.s11 * s.s22 - s.s12 * s.s12), (s.s22 - s.s11) / sum,
          -2.0 * s.s12 / sum};
}

double dot_terms(const std::array<double, 6>& c, const Terms& t, std::size_t count) noexcept {
  double sum = 0.0;
  for (std::size_t k = 0; k < count; ++k) sum += c[k] * t[k];
  return sum;
}

bool valid(const ShapeMatrix& s) noexcept {
  return s.s11 > 0.0 && s.s22 > 0.0 && s.s11 * s.s22 - s.s12 * s.s12 > 0.0;
}

/// One round on the samples within `limit` of the surface so far. False when too few are left.
bool refine(std::span<const ShapeSample> samples, double limit, ShapeSurface& surface,
            Values& scatter) {
  std::vector<double> design;
  std::array<std::vector<double>, components> values;
  for (const ShapeSample& s : samples) {
    const Terms t = terms_at(surface.centre, surface.scale, s.at);
    const Values v = values_of(s.shape);
    if (std::abs(v[0] - dot_terms(surface.c[0], t, surface.terms)) > 2.0 * limit) continue;
    design.insert(design.end(), t.begin(), t.end());
    for (std::size_t k = 0; k < components; ++k) values[k].push_back(v[k]);
  }
  if (values[0].size() < least_samples) return false;
  for (std::size_t k = 0; k < components; ++k) {
    const LinearFit fit = linear_least_squares(design, 6, values[k]);
    if (fit.status != FitStatus::converged) return false;
    std::copy(fit.coefficients.begin(), fit.coefficients.end(), surface.c[k].begin());
    for (std::size_t i = 0; i < values[k].size(); ++i) {
      Terms t{};
      std::copy_n(design.begin() + static_cast<std::ptrdiff_t>(6 * i), 6, t.begin());
      values[k][i] -= dot_terms(surface.c[k], t, 6);
    }
    scatter[k] = robust_sigma(values[k]);
  }
  surface.terms = 6;
  return true;
}

}  // namespace

ShapeMatrix ShapeSurface::at(Point p) const noexcept {
  const Terms t = terms_at(centre, scale, p);
  const double area = std::exp(std::clamp(dot_terms(c[0], t, terms), -8.0, 12.0));
  double e1 = dot_terms(c[1], t, terms);
  double e2 = dot_terms(c[2], t, terms);
  const double length = std::hypot(e1, e2);
  constexpr double longest = 0.9;
  if (length > longest) {
    e1 *= longest / length;
    e2 *= longest / length;
  }
  // With M = S^-1: trace 2 area / sqrt(1 - e^2), S = adj(M) / area^2.
  const double half = 1.0 / (area * std::sqrt(1.0 - e1 * e1 - e2 * e2));
  return {half * (1.0 - e1), -half * e2, half * (1.0 + e1)};
}

ShapeSurface fit_shape_surface(std::span<const ShapeSample> samples, Size frame) {
  ShapeSurface surface;
  surface.centre = {0.5 * frame.width, 0.5 * frame.height};
  surface.scale = 0.5 * std::max(1, std::max(frame.width, frame.height));
  std::vector<ShapeSample> good;
  std::array<std::vector<double>, components> all;
  for (const ShapeSample& s : samples) {
    if (!valid(s.shape)) continue;
    good.push_back(s);
    const Values v = values_of(s.shape);
    for (std::size_t k = 0; k < components; ++k) all[k].push_back(v[k]);
  }
  if (good.size() < least_samples) return surface;
  Values before{};
  for (std::size_t k = 0; k < components; ++k) {
    surface.c[k][0] = median(all[k]);
    before[k] = robust_sigma(all[k]);
  }
  Values after{};
  for (const double limit : {0.55, 0.35, 0.25}) {
    if (!refine(good, limit, surface, after)) return surface;
  }
  // Six free terms lower the scatter of n samples by 3/n; robust scatters are known to 1/sqrt(n).
  const auto n = static_cast<double>(good.size());
  const double least = 1.0 - 3.0 / n - 3.0 / std::sqrt(n);
  for (std::size_t k = 0; k < components; ++k) {
    surface.varies = surface.varies || after[k] < std::min(least, 0.85) * before[k];
  }
  return surface;
}

}  // namespace coldframe::stars
