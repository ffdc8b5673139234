#include "coldframe/core/transform.hpp"

#include <cmath>

namespace coldframe {

std::string_view to_string(TransformModel model) noexcept {
  switch (model) {
    case TransformModel::similarity:
      return "similarity";
    case TransformModel::affine:
      return "affine";
    case TransformModel::homography:
      return "homography";
    case TransformModel::polynomial:
      return "polynomial";
  }
  return "";
}

namespace {

struct Derivatives {
  Point value;
  std::array<double, 4> jacobian{};
};

// Value and derivatives by powers u^(n-k) v^k, in the documented order of terms.
Derivatives evaluate_polynomial(const Polynomial2& p, Point at) noexcept {
  const double u = (at.x - p.centre.x) / p.scale;
  const double v = (at.y - p.centre.y) / p.scale;
  Derivatives d;
  std::size_t term = 0;
  for (int degree = 0; degree <= p.order; ++degree) {
    for (int k = 0; k <= degree; ++k, ++term) {
      if (term >= p.x.size() || term >= p.y.size()) return d;
      const int i = degree - k;
      const double pu = std::pow(u, i);
      const double pv = std::pow(v, k);
      const double du = i > 0 ? i * std::pow(u, i - 1) * pv / p.scale : 0.0;
      const double dv = k > 0 ? k * pu * std::pow(v, k - 1) / p.scale : 0.0;
      d.value.x += p.x[term] * pu * pv;
      d.value.y += p.y[term] * pu * pv;
      d.jacobian[0] += p.x[term] * du;
      d.jacobian[1] += p.x[term] * dv;
      d.jacobian[2] += p.y[term] * du;
      d.jacobian[3] += p.y[term] * dv;
    }
  }
  return d;
}

}  // namespace

Point Polynomial2::evaluate(Point p) const noexcept { return evaluate_polynomial(*this, p).value; }

Point Transform::apply(Point p) const noexcept {
  if (polynomial) return polynomial->evaluate(p);
  const auto& m = matrix;
  const double w = m[6] * p.x + m[7] * p.y + m[8];
  return {(m[0] * p.x + m[1] * p.y + m[2]) / w, (m[3] * p.x + m[4] * p.y + m[5]) / w};
}

std::array<double, 4> Transform::jacobian(Point p) const noexcept {
  if (polynomial) return evaluate_polynomial(*polynomial, p).jacobian;
  const auto& m = matrix;
  const double w = m[6] * p.x + m[7] * p.y + m[8];
  const Point q = apply(p);
  return {(m[0] - m[6] * q.x) / w, (m[1] - m[7] * q.x) / w, (m[3] - m[6] * q.y) / w,
          (m[4] - m[7] * q.y) / w};
}

std::optional<Transform> Transform::inverse() const noexcept {
  if (polynomial) return std::nullopt;
  const auto& m = matrix;
  const double c0 = m[4] * m[8] - m[5] * m[7];
  const double c1 = m[5] * m[6] - m[3] * m[8];
  const double c2 = m[3] * m[7] - m[4] * m[6];
  const double determinant = m[0] * c0 + m[1] * c1 + m[2] * c2;
  if (!(std::fabs(determinant) > 0.0)) return std::nullopt;
  Transform result;
  result.model = model;
  result.matrix = {c0, m[2] * m[7] - m[1] * m[8], m[1] * m[5] - m[2] * m[4],
                   c1, m[0] * m[8] - m[2] * m[6], m[2] * m[3] - m[0] * m[5],
                   c2, m[1] * m[6] - m[0] * m[7], m[0] * m[4] - m[1] * m[3]};
  for (double& element : result.matrix) element /= determinant;
  return result;
}

Point Transform::unapply(Point p) const noexcept {
  Transform linear;
  linear.matrix = matrix;
  const auto inverted = linear.inverse();
  Point guess = inverted ? inverted->apply(p) : p;
  if (!polynomial) return guess;
  constexpr int most_steps = 30;
  for (int step = 0; step < most_steps; ++step) {
    const auto d = evaluate_polynomial(*polynomial, guess);
    const double ex = p.x - d.value.x;
    const double ey = p.y - d.value.y;
    const auto& j = d.jacobian;
    const double determinant = j[0] * j[3] - j[1] * j[2];
    if (!(std::fabs(determinant) > 0.0)) break;
    const double dx = (j[3] * ex - j[1] * ey) / determinant;
    const double dy = (j[0] * ey - j[2] * ex) / determinant;
    guess.x += dx;
    guess.y += dy;
    if (std::fabs(dx) + std::fabs(dy) < 1e-9) break;
  }
  return guess;
}

Transform Transform::affine(double a, double b, double tx, double c, double d, double ty) noexcept {
  Transform t;
  t.model = TransformModel::affine;
  t.matrix = {a, b, tx, c, d, ty, 0, 0, 1};
  return t;
}

}  // namespace coldframe
