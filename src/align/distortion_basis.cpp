#include "align/distortion_basis.hpp"

#include <cmath>
#include <limits>

namespace coldframe::align {
namespace {

int highest_degree(DistortionKind kind) noexcept {
  return kind == DistortionKind::quintic ? 5 : kind == DistortionKind::cubic ? 3 : 1;
}

// Calls f(k, x component, y component) for every basis function.
template <typename F>
void for_each_basis(const Distortion& d, Point p, F&& f) noexcept {
  const double u = (p.x - d.centre.x) / d.scale, v = (p.y - d.centre.y) / d.scale;
  if (d.kind == DistortionKind::none) return;
  if (d.kind == DistortionKind::radial) {
    const double r2 = u * u + v * v;
    f(std::size_t{0}, u * r2, v * r2);
    f(std::size_t{1}, u * r2 * r2, v * r2 * r2);
    return;
  }
  double pu[6] = {1.0}, pv[6] = {1.0};
  const int highest = highest_degree(d.kind);
  for (int i = 1; i <= highest; ++i) {
    pu[i] = pu[i - 1] * u;
    pv[i] = pv[i - 1] * v;
  }
  const std::size_t half = Distortion::terms(d.kind) / 2;
  std::size_t term = 0;
  for (int degree = 2; degree <= highest; ++degree) {
    for (int k = 0; k <= degree; ++k, ++term) {
      const double value = pu[degree - k] * pv[k];
      f(term, value, 0.0);
      f(term + half, 0.0, value);
    }
  }
}

}  // namespace

std::string_view to_string(DistortionKind kind) noexcept {
  switch (kind) {
    case DistortionKind::none:
      return "none";
    case DistortionKind::radial:
      return "radial";
    case DistortionKind::cubic:
      return "cubic";
    case DistortionKind::quintic:
      return "quintic";
  }
  return "";
}

std::size_t Distortion::terms(DistortionKind kind) noexcept {
  switch (kind) {
    case DistortionKind::none:
      return 0;
    case DistortionKind::radial:
      return 2;
    case DistortionKind::cubic:
      return 2 * (3 + 4);
    case DistortionKind::quintic:
      return 2 * (3 + 4 + 5 + 6);
  }
  return 0;
}

Point Distortion::undistort(Point recorded) const noexcept {
  Point p = recorded;
  for_each_basis(*this, recorded, [&](std::size_t k, double x, double y) {
    p.x += coefficients[k] * x;
    p.y += coefficients[k] * y;
  });
  return p;
}

Point Distortion::distort(Point undistorted) const noexcept {
  if (kind == DistortionKind::none) return undistorted;
  Point p = undistorted;
  constexpr int most_steps = 60;
  for (int step = 0; step < most_steps; ++step) {
    const Point q = undistort(p);
    const double dx = undistorted.x - q.x, dy = undistorted.y - q.y;
    p.x += dx;
    p.y += dy;
    if (std::fabs(dx) + std::fabs(dy) < 1e-9) return p;
  }
  constexpr double nan = std::numeric_limits<double>::quiet_NaN();
  return {nan, nan};
}

void basis_at(const Distortion& optics, Point p, BasisValues& out) {
  const std::size_t terms = Distortion::terms(optics.kind);
  out.x.assign(terms, 0.0);
  out.y.assign(terms, 0.0);
  for_each_basis(optics, p, [&](std::size_t k, double x, double y) {
    out.x[k] = x;
    out.y[k] = y;
  });
}

}  // namespace coldframe::align
