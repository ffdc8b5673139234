#include <cmath>
#include <complex>
#include <vector>

#include "align/fit.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/least_squares.hpp"

namespace coldframe::align {
namespace {

using Complex = std::complex<double>;

double weight_of(std::span<const double> weights, std::size_t i) noexcept {
  return weights.empty() ? 1.0 : weights[i];
}

void check_sizes(std::span<const Point> from, std::span<const Point> to,
                 std::span<const double> weights) {
  if (from.size() != to.size() || (!weights.empty() && weights.size() != from.size())) {
    throw Error(ErrorKind::usage, "", "point lists of different lengths cannot be fitted", "");
  }
}

double rms_of(const Transform& transform, std::span<const Point> from, std::span<const Point> to,
              std::span<const double> weights) noexcept {
  double sum = 0.0, total = 0.0;
  for (std::size_t i = 0; i < from.size(); ++i) {
    const Point p = transform.apply(from[i]);
    const double w = weight_of(weights, i);
    sum += w * ((p.x - to[i].x) * (p.x - to[i].x) + (p.y - to[i].y) * (p.y - to[i].y));
    total += w;
  }
  return total > 0.0 ? std::sqrt(sum / (2.0 * total)) : 0.0;
}

// Centre of gravity and rms distance from it; scale 0 when all points coincide.
struct Frame {
  Point centre;
  double scale = 0.0;
};

Frame frame_of(std::span<const Point> points, std::span<const double> weights) noexcept {
  Frame f;
  double total = 0.0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const double w = weight_of(weights, i);
    f.centre.x += w * points[i].x;
    f.centre.y += w * points[i].y;
    total += w;
  }
  if (!(total > 0.0)) return f;
  f.centre.x /= total;
  f.centre.y /= total;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const double dx = points[i].x - f.centre.x, dy = points[i].y - f.centre.y;
    f.scale += weight_of(weights, i) * (dx * dx + dy * dy);
  }
  f.scale = std::sqrt(f.scale / total);
  return f;
}

// One hand of the similarity: complex regression of q on p (or on its conjugate). The
// least-squares complex factor is Umeyama's c R restricted to one sign of the determinant.
Transform one_hand(std::span<const Point> from, std::span<const Point> to,
                   std::span<const double> weights, bool mirrored) noexcept {
  const Point cf = frame_of(from, weights).centre, ct = frame_of(to, weights).centre;
  Complex cross{};
  double square = 0.0;
  for (std::size_t i = 0; i < from.size(); ++i) {
    const double sign = mirrored ? -1.0 : 1.0;
    const Complex p(from[i].x - cf.x, sign * (from[i].y - cf.y));
    const Complex q(to[i].x - ct.x, to[i].y - ct.y);
    cross += weight_of(weights, i) * q * std::conj(p);
    square += weight_of(weights, i) * std::norm(p);
  }
  const Complex factor = cross / square;
  const double a = factor.real(), b = factor.imag();
  // q = factor p: x' = a x - b y; with the conjugate y changes its sign.
  const double m01 = mirrored ? b : -b, m11 = mirrored ? -a : a;
  Transform t = Transform::affine(a, m01, ct.x - (a * cf.x + m01 * cf.y), b, m11,
                                  ct.y - (b * cf.x + m11 * cf.y));
  t.model = TransformModel::similarity;
  return t;
}

bool finite(const Transform& t) noexcept {
  for (const double element : t.matrix) {
    if (!std::isfinite(element)) return false;
  }
  return std::fabs(t.matrix[0] * t.matrix[4] - t.matrix[1] * t.matrix[3]) > 0.0;
}

TransformFit finished(Transform transform, std::span<const Point> from, std::span<const Point> to,
                      std::span<const double> weights) {
  TransformFit fit;
  fit.usable = finite(transform);
  if (!fit.usable) return fit;
  fit.rms_px = rms_of(transform, from, to, weights);
  fit.usable = std::isfinite(fit.rms_px);
  fit.transform = std::move(transform);
  return fit;
}

// Polynomials of one order in both coordinates; order 1 is the affine model.
std::optional<Polynomial2> fit_polynomial(std::span<const Point> from, std::span<const Point> to,
                                          std::span<const double> weights, int order) {
  const std::size_t terms = Polynomial2::terms(order);
  const Frame frame = frame_of(from, weights);
  if (from.size() < terms || !(frame.scale > 0.0)) return std::nullopt;
  Polynomial2 p;
  p.order = order;
  p.centre = frame.centre;
  p.scale = frame.scale;
  std::vector<double> design, x, y, powers_u, powers_v;
  design.reserve(from.size() * terms);
  for (std::size_t i = 0; i < from.size(); ++i) {
    const double u = (from[i].x - p.centre.x) / p.scale, v = (from[i].y - p.centre.y) / p.scale;
    powers_u.assign(1, 1.0);
    powers_v.assign(1, 1.0);
    for (int degree = 0; degree <= order; ++degree) {
      for (int k = 0; k <= degree; ++k) {
        design.push_back(powers_u[static_cast<std::size_t>(degree - k)] *
                         powers_v[static_cast<std::size_t>(k)]);
      }
      powers_u.push_back(powers_u.back() * u);
      powers_v.push_back(powers_v.back() * v);
    }
    x.push_back(to[i].x);
    y.push_back(to[i].y);
  }
  const auto fit_x = linear_least_squares(design, terms, x, weights);
  const auto fit_y = linear_least_squares(design, terms, y, weights);
  if (fit_x.status != FitStatus::converged || fit_y.status != FitStatus::converged) {
    return std::nullopt;
  }
  p.x = fit_x.coefficients;
  p.y = fit_y.coefficients;
  return p;
}

Transform affine_part(const Polynomial2& p) noexcept {
  const double a = p.x[1] / p.scale, b = p.x[2] / p.scale;
  const double c = p.y[1] / p.scale, d = p.y[2] / p.scale;
  return Transform::affine(a, b, p.x[0] - (a * p.centre.x + b * p.centre.y), c, d,
                           p.y[0] - (c * p.centre.x + d * p.centre.y));
}

std::array<double, 9> product(const std::array<double, 9>& a, const std::array<double, 9>& b) {
  std::array<double, 9> c{};
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) {
      for (std::size_t k = 0; k < 3; ++k) c[3 * i + j] += a[3 * i + k] * b[3 * k + j];
    }
  }
  return c;
}

// Residuals of a homography with h33 = 1 in normalised coordinates.
ResidualFunction homography_residuals(const std::vector<Point>& p, const std::vector<Point>& q,
                                      std::span<const double> weights) {
  return [&p, &q, weights](std::span<const double> h, std::span<double> residuals,
                           std::span<double> jacobian) {
    for (std::size_t i = 0; i < p.size(); ++i) {
      const double root = std::sqrt(weight_of(weights, i));
      const double w = h[6] * p[i].x + h[7] * p[i].y + 1.0;
      const double x = (h[0] * p[i].x + h[1] * p[i].y + h[2]) / w;
      const double y = (h[3] * p[i].x + h[4] * p[i].y + h[5]) / w;
      residuals[2 * i] = root * (x - q[i].x);
      residuals[2 * i + 1] = root * (y - q[i].y);
      if (jacobian.empty()) continue;
      const double s = root / w;
      const double rows[16] = {
          s * p[i].x, s * p[i].y, s, 0,          0,          0, -s * x * p[i].x, -s * x * p[i].y,
          0,          0,          0, s * p[i].x, s * p[i].y, s, -s * y * p[i].x, -s * y * p[i].y};
      for (std::size_t j = 0; j < 16; ++j) jacobian[16 * i + j] = rows[j];
    }
  };
}

TransformFit fit_homography(std::span<const Point> from, std::span<const Point> to,
                            std::span<const double> weights) {
  const Frame f = frame_of(from, weights), t = frame_of(to, weights);
  if (from.size() < 4 || !(f.scale > 0.0) || !(t.scale > 0.0)) return {};
  // Normalised coordinates (Hartley 1997, TPAMI 19, 580) keep the problem well conditioned.
  std::vector<Point> p, q;
  std::vector<double> design, values, doubled;
  for (std::size_t i = 0; i < from.size(); ++i) {
    p.push_back({(from[i].x - f.centre.x) / f.scale, (from[i].y - f.centre.y) / f.scale});
    q.push_back({(to[i].x - t.centre.x) / t.scale, (to[i].y - t.centre.y) / t.scale});
    const double x = p[i].x, y = p[i].y;
    for (const double v : {x, y, 1.0, 0.0, 0.0, 0.0, -q[i].x * x, -q[i].x * y, 0.0, 0.0, 0.0, x, y,
                           1.0, -q[i].y * x, -q[i].y * y}) {
      design.push_back(v);
    }
    values.insert(values.end(), {q[i].x, q[i].y});
    doubled.insert(doubled.end(), 2, weight_of(weights, i));
  }
  auto start = linear_least_squares(design, 8, values, doubled);
  if (start.status != FitStatus::converged) return {};
  std::vector<double> h = start.coefficients;
  const auto report = levenberg_marquardt(h, 2 * p.size(), homography_residuals(p, q, weights));
  if (report.status == FitStatus::singular || report.status == FitStatus::not_finite) return {};
  const std::array<double, 9> into{
      1 / f.scale, 0, -f.centre.x / f.scale, 0, 1 / f.scale, -f.centre.y / f.scale, 0, 0, 1};
  const std::array<double, 9> out_of{t.scale, 0, t.centre.x, 0, t.scale, t.centre.y, 0, 0, 1};
  const std::array<double, 9> core{h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0};
  Transform transform;
  transform.model = TransformModel::homography;
  transform.matrix = product(out_of, product(core, into));
  const double last = transform.matrix[8];
  for (double& element : transform.matrix) element /= last;
  return finished(transform, from, to, weights);
}

}  // namespace

TransformFit fit_one_hand(std::span<const Point> from, std::span<const Point> to,
                          std::span<const double> weights, bool mirrored) {
  check_sizes(from, to, weights);
  if (from.size() < 2 || !(frame_of(from, weights).scale > 0.0)) return {};
  return finished(one_hand(from, to, weights, mirrored), from, to, weights);
}

TransformFit fit_similarity(std::span<const Point> from, std::span<const Point> to,
                            bool allow_mirror) {
  auto straight = fit_one_hand(from, to, {}, false);
  if (!allow_mirror) return straight;
  auto mirrored = fit_one_hand(from, to, {}, true);
  const bool better = mirrored.usable && (!straight.usable || mirrored.rms_px < straight.rms_px);
  return better ? mirrored : straight;
}

TransformFit fit_transform(TransformModel model, std::span<const Point> from,
                           std::span<const Point> to, std::span<const double> weights, int order) {
  check_sizes(from, to, weights);
  if (model == TransformModel::similarity) return fit_one_hand(from, to, weights, false);
  if (model == TransformModel::homography) return fit_homography(from, to, weights);
  if (model == TransformModel::affine) order = 1;
  if (order < 1 || order > 9) {
    throw Error(ErrorKind::usage, "", "the order of a polynomial transform must be 1 to 9", "");
  }
  auto polynomial = fit_polynomial(from, to, weights, order);
  if (!polynomial) return {};
  Transform transform = affine_part(*polynomial);
  if (model == TransformModel::polynomial) {
    transform.model = TransformModel::polynomial;
    transform.polynomial = std::move(*polynomial);
  }
  return finished(std::move(transform), from, to, weights);
}

}  // namespace coldframe::align
