#include "coldframe/core/transform.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"

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

LocalMap Polynomial2::local(Point at) const noexcept {
  constexpr int most = 16;
  double pu[most + 1], pv[most + 1];
  const int highest = std::min(order, most);
  pu[0] = pv[0] = 1.0;
  const double u = (at.x - centre.x) / scale;
  const double v = (at.y - centre.y) / scale;
  for (int i = 1; i <= highest; ++i) {
    pu[i] = pu[i - 1] * u;
    pv[i] = pv[i - 1] * v;
  }
  LocalMap d;
  std::size_t term = 0;
  const std::size_t terms = std::min(x.size(), y.size());
  for (int degree = 0; degree <= highest; ++degree) {
    for (int k = 0; k <= degree && term < terms; ++k, ++term) {
      const int i = degree - k;
      const double value = pu[i] * pv[k];
      const double du = i > 0 ? i * pu[i - 1] * pv[k] : 0.0;
      const double dv = k > 0 ? k * pu[i] * pv[k - 1] : 0.0;
      d.value.x += x[term] * value;
      d.value.y += y[term] * value;
      d.jacobian[0] += x[term] * du;
      d.jacobian[1] += x[term] * dv;
      d.jacobian[2] += y[term] * du;
      d.jacobian[3] += y[term] * dv;
    }
  }
  for (double& element : d.jacobian) element /= scale;
  return d;
}

Point Polynomial2::evaluate(Point p) const noexcept { return local(p).value; }

Point Transform::apply(Point p) const noexcept {
  if (polynomial) return polynomial->evaluate(p);
  const auto& m = matrix;
  const double w = m[6] * p.x + m[7] * p.y + m[8];
  return {(m[0] * p.x + m[1] * p.y + m[2]) / w, (m[3] * p.x + m[4] * p.y + m[5]) / w};
}

LocalMap Transform::local(Point p) const noexcept {
  if (polynomial) return polynomial->local(p);
  const auto& m = matrix;
  const double w = m[6] * p.x + m[7] * p.y + m[8];
  const Point q = apply(p);
  return {q,
          {(m[0] - m[6] * q.x) / w, (m[1] - m[7] * q.x) / w, (m[3] - m[6] * q.y) / w,
           (m[4] - m[7] * q.y) / w}};
}

std::array<double, 4> Transform::jacobian(Point p) const noexcept { return local(p).jacobian; }

double Transform::source_area(Point p) const noexcept {
  return 1.0 / std::fabs(local(p).determinant());
}

namespace {

std::array<double, 9> product(const std::array<double, 9>& a, const std::array<double, 9>& b) {
  std::array<double, 9> c{};
  for (std::size_t row = 0; row < 3; ++row) {
    for (std::size_t column = 0; column < 3; ++column) {
      for (std::size_t k = 0; k < 3; ++k) c[3 * row + column] += a[3 * row + k] * b[3 * k + column];
    }
  }
  return c;
}

}  // namespace

Transform Transform::then(const Transform& outer) const {
  const auto& m = outer.matrix;
  const bool straight = m[6] == 0.0 && m[7] == 0.0;
  if (outer.polynomial || (polynomial && !straight)) {
    throw Error(ErrorKind::usage, "", "these two transforms have no exact composition", "");
  }
  Transform result;
  result.model = std::max(model, outer.model);
  result.matrix = product(m, matrix);
  if (!polynomial) return result;
  result.polynomial = *polynomial;
  auto& p = *result.polynomial;
  for (std::size_t i = 0; i < p.x.size(); ++i) {
    p.x[i] = (m[0] * polynomial->x[i] + m[1] * polynomial->y[i]) / m[8];
    p.y[i] = (m[3] * polynomial->x[i] + m[4] * polynomial->y[i]) / m[8];
  }
  p.x[0] += m[2] / m[8];
  p.y[0] += m[5] / m[8];
  return result;
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
    const auto d = polynomial->local(guess);
    const double ex = p.x - d.value.x;
    const double ey = p.y - d.value.y;
    const auto& j = d.jacobian;
    const double determinant = d.determinant();
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
