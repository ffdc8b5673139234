#include "stars/recorded_contour.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <span>

#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::stars {
namespace {

constexpr std::size_t terms = 9;
constexpr double furthest = 1.7;     // elliptical radius of the samples, half-maximum radii
constexpr double form_error = 0.01;  // of a star's light: keeps the brightest few from ruling
constexpr double degree = std::numbers::pi / 180.0;

/// Coordinates in units of each star's FWHM / 2 along the mean ellipse's axes.
struct Ellipse {
  double cos, sin, major, minor;  ///< axes in half-maximum radii, product 1

  explicit Ellipse(const MeanStar& mean)
      : cos(std::cos(mean.angle_deg * degree)),
        sin(std::sin(mean.angle_deg * degree)),
        major(1.0 / std::sqrt(1.0 - mean.ellipticity)),
        minor(std::sqrt(1.0 - mean.ellipticity)) {}
};

struct Profile {
  std::array<double, terms> c{};
  double beta = 0.0;

  /// Mean profile, 1/2 at radius 1.
  [[nodiscard]] double form(double q2) const {
    if (beta <= 0.0) return std::exp2(-q2);
    return std::pow(1.0 + (std::exp2(1.0 / beta) - 1.0) * q2, -beta);
  }
  /// u, v: along the axes in units of the half-maximum radii.
  void basis(double u, double v, std::span<double> out) const {
    const double q2 = u * u + v * v;
    const double m = form(q2);
    const double c2 = u * u - v * v;  // q^2 cos 2 phi
    const double s2 = 2.0 * u * v;
    const double values[terms] = {1.0,     q2,      q2 * q2,           c2,           s2,
                                  c2 * q2, s2 * q2, c2 * c2 - s2 * s2, 2.0 * c2 * s2};
    for (std::size_t k = 0; k < terms; ++k) out[k] = m * values[k];
  }
  [[nodiscard]] double value(double u, double v) const {
    std::array<double, terms> b{};
    basis(u, v, b);
    double sum = 0.0;
    for (std::size_t k = 0; k < terms; ++k) sum += c[k] * b[k];
    return sum;
  }
};

struct Samples {
  std::vector<double> design, values, weights;
};

bool is_sample(const DetectionFrame& frame, int x, int y) {
  if (x < 0 || y < 0 || x >= frame.image.width() || y >= frame.image.height()) return false;
  if (frame.mask(x, y) != 0) return false;
  return frame.cfa == CfaPattern::none || cfa_colour(frame.cfa, x, y) == 1;
}

void add_star(const DetectionFrame& frame, const Star& star, const Ellipse& ellipse,
              const Profile& profile, Samples& samples) {
  const double radius = 0.5 * star.fwhm_px;
  const int reach = static_cast<int>(std::ceil(furthest * ellipse.major * radius));
  const int cx = static_cast<int>(std::lround(star.x));
  const int cy = static_cast<int>(std::lround(star.y));
  const double unit = star.flux / (star.fwhm_px * star.fwhm_px);  // about the peak
  const double noise = static_cast<double>(frame.sky->noise_at(star.x, star.y));
  for (int y = cy - reach; y <= cy + reach; ++y) {
    for (int x = cx - reach; x <= cx + reach; ++x) {
      if (!is_sample(frame, x, y)) continue;
      const double dx = (x - star.x) / radius;
      const double dy = (y - star.y) / radius;
      const double u = (dx * ellipse.cos + dy * ellipse.sin) / ellipse.major;
      const double v = (-dx * ellipse.sin + dy * ellipse.cos) / ellipse.minor;
      if (u * u + v * v > furthest * furthest) continue;
      std::array<double, terms> row{};
      profile.basis(u, v, row);
      const double light = unit * row[0];  // expected, not seen: no bias from the noise
      const double sd =
          std::sqrt(noise * noise + light / frame.gain_e_per_unit + std::pow(form_error * unit, 2));
      samples.design.insert(samples.design.end(), row.begin(), row.end());
      samples.values.push_back((static_cast<double>(frame.image(x, y)) - star.sky) / unit);
      samples.weights.push_back(unit * unit / (sd * sd));
    }
  }
}

/// Three rounds, each leaving out what stands far off: neighbours and hits.
bool fit(Samples& samples, Profile& profile) {
  constexpr std::size_t enough = 150;
  std::vector<double> weights = samples.weights;
  if (weights.size() < enough) return false;
  for (int round = 0; round < 3; ++round) {
    const auto solved = linear_least_squares(samples.design, terms, samples.values, weights);
    if (solved.status != FitStatus::converged) return false;
    std::copy(solved.coefficients.begin(), solved.coefficients.end(), profile.c.begin());
    std::vector<double> residuals(weights.size());
    for (std::size_t i = 0; i < residuals.size(); ++i) {
      double model = 0.0;
      for (std::size_t k = 0; k < terms; ++k) model += profile.c[k] * samples.design[terms * i + k];
      residuals[i] = (samples.values[i] - model) * std::sqrt(samples.weights[i]);
    }
    const double limit = 4.0 * robust_sigma(residuals);
    for (std::size_t i = 0; i < residuals.size(); ++i) {
      weights[i] = std::fabs(residuals[i]) > limit ? 0.0 : samples.weights[i];
    }
  }
  return profile.c[0] > 0.0;
}

/// Elliptical radius where the profile falls to half of its centre; 0: not between 0.5 and 1.6.
double half_radius(const Profile& profile, double cos, double sin) {
  const double half = 0.5 * profile.c[0];
  double low = 0.5;
  double high = 1.6;
  if (profile.value(low * cos, low * sin) < half || profile.value(high * cos, high * sin) > half)
    return 0.0;
  for (int i = 0; i < 40; ++i) {
    const double middle = 0.5 * (low + high);
    (profile.value(middle * cos, middle * sin) > half ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace

std::optional<RecordedContour> recorded_contour(const DetectionFrame& frame,
                                                const std::vector<const Star*>& stars,
                                                const MeanStar& mean) {
  double strength = 0.0;
  for (const Star* star : stars) strength += star->snr * star->snr;
  constexpr std::size_t least_stars = 8;
  if (stars.size() < least_stars || strength < 300.0 * 300.0) return std::nullopt;
  const Ellipse ellipse(mean);
  Profile profile;
  profile.beta = mean.beta;
  Samples samples;
  for (const Star* star : stars) add_star(frame, *star, ellipse, profile, samples);
  if (!fit(samples, profile)) return std::nullopt;
  constexpr int directions = 180;
  std::array<double, directions> radii{};
  double squares = 0.0, along = 0.0, across = 0.0;
  for (int i = 0; i < directions; ++i) {
    const double angle = i * std::numbers::pi / directions;
    // Radius of the mean ellipse in this direction, and the direction in its own frame.
    const double u = std::cos(angle) / ellipse.major;
    const double v = std::sin(angle) / ellipse.minor;
    const double stretch = std::hypot(u, v);
    const double q = half_radius(profile, u / stretch, v / stretch);
    if (q <= 0.0) return std::nullopt;
    const double r = q / stretch;
    squares += r * r;
    along += r * std::cos(2.0 * angle);
    across += r * std::sin(2.0 * angle);
    radii[static_cast<std::size_t>(i)] = r;
  }
  // Along its second harmonic and across it: the extremes themselves grow with the noise.
  const double turn = 0.5 * std::atan2(across, along) / std::numbers::pi * directions;
  const auto longest =
      static_cast<std::size_t>((static_cast<int>(std::lround(turn)) + directions) % directions);
  const double ratio = radii[(longest + directions / 2) % directions] / radii[longest];
  return RecordedContour{std::sqrt(squares / directions), std::max(0.0, 1.0 - ratio)};
}

}  // namespace coldframe::stars
