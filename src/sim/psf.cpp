#include "sim/psf.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <span>

namespace coldframe::sim {
namespace {

constexpr double degree = std::numbers::pi / 180.0;

/// Gauss-Legendre nodes and weights on [-1/2, 1/2] (weights sum to 1).
struct Rule {
  int count = 0;
  std::array<double, 7> node{};
  std::array<double, 7> weight{};
};
template <std::size_t N>
constexpr Rule make_rule(const double (&node)[N], const double (&weight)[N]) {
  Rule rule;
  rule.count = static_cast<int>(N);
  for (std::size_t i = 0; i < N; ++i) {
    rule.node[i] = 0.5 * node[i];
    rule.weight[i] = 0.5 * weight[i];
  }
  return rule;
}
// Abramowitz & Stegun 1964, table 25.4.
constexpr Rule rule1 = make_rule({0.0}, {2.0});
constexpr Rule rule2 = make_rule({-0.5773502691896257, 0.5773502691896257}, {1.0, 1.0});
constexpr Rule rule3 = make_rule({-0.7745966692414834, 0.0, 0.7745966692414834},
                                 {0.5555555555555556, 0.8888888888888889, 0.5555555555555556});
constexpr Rule rule4 =
    make_rule({-0.8611363115940526, -0.3399810435848563, 0.3399810435848563, 0.8611363115940526},
              {0.3478548451374538, 0.6521451548625461, 0.6521451548625461, 0.3478548451374538});
constexpr Rule rule5 = make_rule(
    {-0.9061798459386640, -0.5384693101056831, 0.0, 0.5384693101056831, 0.9061798459386640},
    {0.2369268850561891, 0.4786286704993665, 0.5688888888888889, 0.4786286704993665,
     0.2369268850561891});
constexpr Rule rule7 =
    make_rule({-0.9491079123427585, -0.7415311855993945, -0.4058451513773972, 0.0,
               0.4058451513773972, 0.7415311855993945, 0.9491079123427585},
              {0.1294849661688697, 0.2797053914892766, 0.3818300505051189, 0.4179591836734694,
               0.3818300505051189, 0.2797053914892766, 0.1294849661688697});

/// Enough nodes for 1e-5 of the peak: the profile's poles lie alpha away from the real
/// axis, the error of n nodes falls as rho^-2n with rho = 2a + sqrt(4a^2 + 1).
const Rule& core_rule(double alpha) noexcept {
  if (alpha > 5.0) return rule2;
  if (alpha > 3.0) return rule3;
  if (alpha > 1.5) return rule4;
  if (alpha > 0.9) return rule5;
  return rule7;
}

/// One component at one place: q = 1 + A dx^2 + B dx dy + C dy^2.
struct Placed {
  double a = 0.0, b = 0.0, c = 0.0, norm = 0.0, least_alpha = 0.0, most_alpha = 0.0;
  InversePower power{2.0};

  Placed(const Moffat& moffat, const LocalShape& shape) noexcept : power(moffat.beta) {
    const double alpha = moffat.alpha * shape.scale;
    const double root = std::sqrt(1.0 - shape.ellipticity);
    most_alpha = alpha / root;
    least_alpha = alpha * root;
    const double major = 1.0 / (most_alpha * most_alpha);
    const double minor = 1.0 / (least_alpha * least_alpha);
    a = shape.ux * shape.ux * major + shape.uy * shape.uy * minor;
    b = 2.0 * shape.ux * shape.uy * (major - minor);
    c = shape.uy * shape.uy * major + shape.ux * shape.ux * minor;
    norm = (moffat.beta - 1.0) / (std::numbers::pi * alpha * alpha);
  }
  [[nodiscard]] double value(double dx, double dy) const noexcept {
    return norm * power(1.0 + dx * (a * dx + b * dy) + c * dy * dy);
  }
  [[nodiscard]] double integral(double dx, double dy, const Rule& rule) const noexcept {
    double sum = 0.0;
    for (std::size_t j = 0; j < static_cast<std::size_t>(rule.count); ++j) {
      const double y = dy + rule.node[j];
      double line = 0.0;
      for (std::size_t i = 0; i < static_cast<std::size_t>(rule.count); ++i) {
        const double x = dx + rule.node[i];
        line += rule.weight[i] * power(1.0 + x * (a * x + b * y) + c * y * y);
      }
      sum += rule.weight[j] * line;
    }
    return norm * sum;
  }
  [[nodiscard]] const Rule& rule_at(double dx, double dy, const Rule& core) const noexcept {
    const double r2 = dx * dx + dy * dy;
    const double a2 = most_alpha * most_alpha;
    // Far out the profile is a smooth power law of tiny height.
    if (r2 > 16.0 * a2 && r2 > 625.0) return rule1;
    if (core.count <= 2) return core;
    if (r2 > 50.0 * a2 && r2 > 16.0) return rule2;
    if (r2 > 9.0 * a2 && r2 > 9.0) return rule3;
    return core;
  }
  [[nodiscard]] double pixel(double dx, double dy, const Rule& core) const noexcept {
    return integral(dx, dy, rule_at(dx, dy, core));
  }
};

/// Radius beyond which a component may be cut: it then holds less than 1e-3 of the star's
/// light and falls below the tolerance.
double stamp_radius(const Moffat& moffat, const Placed& placed, double flux,
                    double tolerance) noexcept {
  const double lost_share = std::min(0.5, 1e-3 / moffat.share);
  constexpr double farthest = 600.0;
  const double q_light = std::pow(lost_share, 1.0 / (1.0 - moffat.beta));
  const double q_noise = std::pow(std::max(1.0, flux * placed.norm / tolerance), 1.0 / moffat.beta);
  const double radius = placed.most_alpha * std::sqrt(std::max(q_light, q_noise) - 1.0);
  return std::min(radius + 1.0, farthest);
}

std::vector<Ghost> make_ghosts(const SubScene& sub, double alpha) {
  std::vector<Ghost> ghosts{{0.0, 0.0, 1.0}};
  if (sub.smear_px > 0.0) {  // a line by three-point quadrature on pieces of the profile's width
    const int pieces = static_cast<int>(std::ceil(sub.smear_px / (1.2 * alpha)));
    ghosts.clear();
    for (int i = 0; i < pieces; ++i) {
      for (std::size_t k = 0; k < 3; ++k) {
        const double along = sub.smear_px * ((i + 0.5 + rule3.node[k]) / pieces - 0.5);
        ghosts.push_back({along * std::cos(sub.smear_angle_deg * degree),
                          along * std::sin(sub.smear_angle_deg * degree),
                          rule3.weight[k] / pieces});
      }
    }
  }
  if (sub.jump_px > 0.0 && sub.jump_share > 0.0) {
    const std::size_t single = ghosts.size();
    for (std::size_t i = 0; i < single; ++i) {
      Ghost second = ghosts[i];
      second.dx += sub.jump_px * std::cos(sub.jump_angle_deg * degree);
      second.dy += sub.jump_px * std::sin(sub.jump_angle_deg * degree);
      second.share *= sub.jump_share;
      ghosts[i].share *= 1.0 - sub.jump_share;
      ghosts.push_back(second);
    }
  }
  return ghosts;
}

void add_component(PlaneView<float> pixels, int y0, int y1, Point at, double flux, double radius,
                   const Placed& placed, const double (&weights)[4]) noexcept {
  const Rule& core = core_rule(placed.least_alpha);
  const int first = std::max(y0, static_cast<int>(std::ceil(at.y - radius)));
  const int last = std::min(y1 - 1, static_cast<int>(std::floor(at.y + radius)));
  for (int y = first; y <= last; ++y) {
    const double dy = y - at.y;
    const double half = std::sqrt(std::max(0.0, radius * radius - dy * dy));
    const int left = std::max(0, static_cast<int>(std::ceil(at.x - half)));
    const int right = std::min(pixels.width() - 1, static_cast<int>(std::floor(at.x + half)));
    const auto row = pixels.row(y);
    for (int x = left; x <= right; ++x) {
      const double share = placed.pixel(x - at.x, dy, core);
      const double weight = weights[(x & 1) + 2 * (y & 1)];
      row[static_cast<std::size_t>(x)] += static_cast<float>(flux * weight * share);
    }
  }
}

}  // namespace

InversePower::InversePower(double beta) noexcept : beta_(beta), half_steps_(0) {
  const double twice = 2.0 * beta;
  if (twice == std::floor(twice) && twice >= 2.0 && twice <= 12.0) {
    half_steps_ = static_cast<int>(twice);
  }
}

double InversePower::operator()(double x) const noexcept {
  if (half_steps_ == 0) return std::pow(x, -beta_);
  double base = 1.0;
  for (int i = 0; i < half_steps_ / 2; ++i) base *= x;
  if ((half_steps_ & 1) != 0) base *= std::sqrt(x);
  return 1.0 / base;
}

double moffat_alpha(double fwhm, double beta) noexcept {
  return 0.5 * fwhm / std::sqrt(std::pow(2.0, 1.0 / beta) - 1.0);
}

PointSpread::PointSpread(const OpticsScene& optics, const SubScene& sub, Size frame)
    : corner_fwhm_factor_(optics.corner_fwhm_factor),
      tilt_x_(optics.tilt * std::cos(optics.tilt_angle_deg * degree)),
      tilt_y_(optics.tilt * std::sin(optics.tilt_angle_deg * degree)),
      corner_ellipticity_(optics.corner_ellipticity),
      centre_{0.5 * (frame.width - 1), 0.5 * (frame.height - 1)},
      corner_radius_(0.5 * std::hypot(frame.width, frame.height)) {
  const double alpha = moffat_alpha(sub.seeing_fwhm_px, optics.psf_beta);
  components_.push_back({1.0 - optics.wing_share, alpha, optics.psf_beta});
  ghosts_.push_back(make_ghosts(sub, alpha));
  if (optics.wing_share > 0.0) {
    const double wide =
        moffat_alpha(sub.seeing_fwhm_px * optics.wing_fwhm_factor, optics.wing_beta);
    components_.push_back({optics.wing_share, wide, optics.wing_beta});
    ghosts_.push_back(make_ghosts(sub, wide));
  }
}

LocalShape PointSpread::shape_at(Point p) const noexcept {
  const double dx = p.x - centre_.x;
  const double dy = p.y - centre_.y;
  const double r = std::hypot(dx, dy);
  const double share = std::min(1.2, r * r / (corner_radius_ * corner_radius_));
  LocalShape shape;
  shape.scale = 1.0 + (corner_fwhm_factor_ - 1.0) * share;
  shape.scale *= std::max(0.2, 1.0 + (tilt_x_ * dx + tilt_y_ * dy) / corner_radius_);
  shape.ellipticity = std::min(0.9, corner_ellipticity_ * share);
  if (r > 0.0) {
    shape.ux = dx / r;
    shape.uy = dy / r;
  }
  return shape;
}

double PointSpread::pixel_share(double dx, double dy, const LocalShape& shape) const noexcept {
  double sum = 0.0;
  for (std::size_t i = 0; i < components_.size(); ++i) {
    const Moffat& moffat = components_[i];
    const Placed placed(moffat, shape);
    const Rule& core = core_rule(placed.least_alpha);
    for (const Ghost& ghost : ghosts_[i]) {
      sum += moffat.share * ghost.share * placed.pixel(dx - ghost.dx, dy - ghost.dy, core);
    }
  }
  return sum;
}

double PointSpread::point_value(double dx, double dy) const noexcept {
  double sum = 0.0;
  for (const Moffat& moffat : components_) {
    sum += moffat.share * Placed(moffat, LocalShape{}).value(dx, dy);
  }
  return sum;
}

void PointSpread::add_star(PlaneView<float> pixels, int y0, int y1, Point at, double flux,
                           const double (&weights)[4], double tolerance) const noexcept {
  const LocalShape shape = shape_at(at);
  for (std::size_t i = 0; i < components_.size(); ++i) {
    const Moffat& moffat = components_[i];
    const Placed placed(moffat, shape);
    const double radius = stamp_radius(moffat, placed, flux * moffat.share, tolerance);
    for (const Ghost& ghost : ghosts_[i]) {
      add_component(pixels, y0, y1, {at.x + ghost.dx, at.y + ghost.dy},
                    flux * moffat.share * ghost.share, radius, placed, weights);
    }
  }
}

PointSpread::Width PointSpread::recorded_width() const {
  const LocalShape shape = shape_at(centre_);
  const double half = 0.5 * pixel_share(0.0, 0.0, shape);
  constexpr int directions = 72;
  std::array<double, directions> radius{};
  for (std::size_t i = 0; i < directions; ++i) {
    const double angle = 2.0 * std::numbers::pi * static_cast<double>(i) / directions;
    double inside = 0.0;
    double outside = 1.0;
    const auto value = [&](double r) {
      return pixel_share(r * std::cos(angle), r * std::sin(angle), shape);
    };
    while (value(outside) > half && outside < 500.0) outside += 1.0;
    for (int step = 0; step < 40; ++step) {
      const double middle = 0.5 * (inside + outside);
      (value(middle) > half ? inside : outside) = middle;
    }
    radius[i] = 0.5 * (inside + outside);
  }
  double squares = 0.0;
  double least = 1e9;
  double greatest = 0.0;
  for (std::size_t i = 0; i < directions; ++i) {
    squares += radius[i] * radius[i];
    const double diameter = radius[i] + radius[(i + directions / 2) % directions];
    least = std::min(least, diameter);
    greatest = std::max(greatest, diameter);
  }
  return {2.0 * std::sqrt(squares / directions), 1.0 - least / greatest};
}

}  // namespace coldframe::sim
