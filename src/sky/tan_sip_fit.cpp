#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/sky/sphere.hpp"
#include "coldframe/sky/tan_sip.hpp"

namespace coldframe::sky {
namespace {

// Powers u^p v^q in the order of Polynomial2.
void terms_at(double u, double v, int order, std::vector<double>& row) {
  row.clear();
  for (int total = 0; total <= order; ++total) {
    for (int q = 0; q <= total; ++q) row.push_back(std::pow(u, total - q) * std::pow(v, q));
  }
}

// Two polynomials of one order through weighted values.
struct PlaneFit {
  std::vector<double> x, y;
};
std::optional<PlaneFit> fit_planes(const std::vector<double>& design, std::size_t columns,
                                   const std::vector<double>& x, const std::vector<double>& y,
                                   std::span<const double> weights) {
  auto fx = linear_least_squares(design, columns, x, weights);
  auto fy = linear_least_squares(design, columns, y, weights);
  if (fx.status != FitStatus::converged || fy.status != FitStatus::converged) return std::nullopt;
  return PlaneFit{std::move(fx.coefficients), std::move(fy.coefficients)};
}

// From standard coordinates as polynomials of the pixel to CD matrix and distortion.
bool take_solution(const PlaneFit& fit, int order, double scale, TanSip& s) {
  // Terms 1 and 2 are u and v.
  s.cd = {fit.x[1] / scale, fit.x[2] / scale, fit.y[1] / scale, fit.y[2] / scale};
  const double det = s.cd[0] * s.cd[3] - s.cd[1] * s.cd[2];
  if (!std::isfinite(det) || std::fabs(det) < 1e-14) return false;
  s.distortion.reset();
  if (order < 2) return true;
  Polynomial2 p;
  p.order = order;
  p.centre = s.centre;
  p.scale = scale;
  p.x.assign(fit.x.size(), 0.0);
  p.y.assign(fit.y.size(), 0.0);
  for (std::size_t k = 3; k < fit.x.size(); ++k) {
    p.x[k] = (s.cd[3] * fit.x[k] - s.cd[1] * fit.y[k]) / det;
    p.y[k] = (s.cd[0] * fit.y[k] - s.cd[2] * fit.x[k]) / det;
  }
  s.distortion = std::move(p);
  return true;
}

// Largest error of the inverse polynomials over the grid.
double inverse_error(const Polynomial2& inverse, const std::vector<Point>& flat,
                     const std::vector<double>& dx, const std::vector<double>& dy) {
  double worst = 0.0;
  for (std::size_t i = 0; i < flat.size(); ++i) {
    const Point p = inverse.evaluate(flat[i]);
    worst = std::max(worst, std::hypot(p.x - dx[i], p.y - dy[i]));
  }
  return worst;
}

// AP and BP over the frame and a margin: no order needed beyond a ten-thousandth of a pixel.
void fit_inverse(TanSip& s, Size frame) {
  s.inverse.reset();
  if (!s.distortion) return;
  std::vector<Point> flat;
  std::vector<double> dx, dy;
  constexpr int side = 24;
  for (int j = 0; j <= side; ++j) {
    for (int i = 0; i <= side; ++i) {
      const Point pixel{(1.04 * i / side - 0.02) * frame.width,
                        (1.04 * j / side - 0.02) * frame.height};
      const Point extra = s.distortion->evaluate(pixel);
      flat.push_back({pixel.x - s.centre.x + extra.x, pixel.y - s.centre.y + extra.y});
      dx.push_back(-extra.x);
      dy.push_back(-extra.y);
    }
  }
  constexpr int highest = 8;
  for (int order = s.distortion->order; order <= highest; ++order) {
    std::vector<double> design, row;
    for (const Point p : flat) {
      terms_at(p.x / s.distortion->scale, p.y / s.distortion->scale, order, row);
      design.insert(design.end(), row.begin(), row.end());
    }
    auto fit = fit_planes(design, Polynomial2::terms(order), dx, dy, {});
    if (!fit) return;
    s.inverse =
        Polynomial2{order, {0.0, 0.0}, s.distortion->scale, std::move(fit->x), std::move(fit->y)};
    if (inverse_error(*s.inverse, flat, dx, dy) < 1e-4) return;
  }
}

double weighted_squares(const TanSip& s, std::span<const PixelSky> points) {
  const auto off = residuals_of(s, points);
  double sum = 0.0;
  for (std::size_t i = 0; i < off.size(); ++i) {
    sum += points[i].weight * (off[i].x * off[i].x + off[i].y * off[i].y);
  }
  return sum;
}

}  // namespace

std::optional<TanSip> fit_tan_sip(std::span<const PixelSky> points, Size frame, int order,
                                  SkyPoint tangent_guess) {
  const std::size_t columns = Polynomial2::terms(order);
  if (points.size() < columns) return std::nullopt;
  TanSip s;
  s.centre = {0.5 * (frame.width - 1), 0.5 * (frame.height - 1)};
  s.tangent = tangent_guess;
  const double scale = 0.5 * std::max(frame.width, frame.height);
  std::vector<double> design, row, weights;
  for (const auto& point : points) {
    terms_at((point.pixel.x - s.centre.x) / scale, (point.pixel.y - s.centre.y) / scale, order,
             row);
    design.insert(design.end(), row.begin(), row.end());
    weights.push_back(point.weight);
  }
  constexpr int most_rounds = 12;
  constexpr double settled_deg = 1e-13;
  for (int round = 0; round < most_rounds; ++round) {
    std::vector<double> xi, eta;
    for (const auto& point : points) {
      const auto standard = to_tangent_plane(point.sky, s.tangent);
      if (!standard) return std::nullopt;
      xi.push_back(standard->x);
      eta.push_back(standard->y);
    }
    const auto fit = fit_planes(design, columns, xi, eta, weights);
    if (!fit || !take_solution(*fit, order, scale, s)) return std::nullopt;
    const Point offset{fit->x[0], fit->y[0]};
    s.tangent = from_tangent_plane(offset, s.tangent);
    if (std::hypot(offset.x, offset.y) < settled_deg) break;
  }
  fit_inverse(s, frame);
  return s;
}

std::vector<Point> residuals_of(const TanSip& solution, std::span<const PixelSky> points) {
  std::vector<Point> off;
  off.reserve(points.size());
  for (const auto& point : points) {
    const auto p = solution.to_pixel(point.sky);
    const double none = std::nan("");
    off.push_back(p ? Point{p->x - point.pixel.x, p->y - point.pixel.y} : Point{none, none});
  }
  return off;
}

std::optional<TanSip> fit_best_order(std::span<const PixelSky> points, Size frame, int highest,
                                     SkyPoint tangent_guess) {
  std::optional<TanSip> best;
  double least = 0.0;
  const auto n = static_cast<double>(points.size());
  for (int order = 1; order <= std::max(highest, 1); ++order) {
    const std::size_t columns = Polynomial2::terms(order);
    if (order > 1 && points.size() < 3 * columns) break;
    auto fit = fit_tan_sip(points, frame, order, tangent_guess);
    if (!fit) break;
    const double mean_square = weighted_squares(*fit, points) / (2.0 * n);
    const double information = 2.0 * n * std::log(std::max(mean_square, 1e-300)) +
                               2.0 * static_cast<double>(columns) * std::log(2.0 * n);
    if (!best || information < least) {
      best = std::move(fit);
      least = information;
    }
  }
  return best;
}

}  // namespace coldframe::sky
