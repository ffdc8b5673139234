#include "coldframe/stars/field_shape.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "coldframe/core/chebyshev.hpp"
#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::stars {
namespace {

constexpr double least_snr = 15.0;
constexpr double degree = std::numbers::pi / 180.0;

struct Sample {
  double x = 0.0, y = 0.0;  ///< pixels
  double u = 0.0, v = 0.0;  ///< from the centre, in half diagonals
  double fwhm = 0.0, error = 0.0;
  double along = 0.0, across = 0.0;  ///< elongation as a vector at twice the angle
};

std::vector<Sample> samples_of(const StarList& stars, Size frame) {
  std::vector<Sample> samples;
  const double half = 0.5 * std::hypot(frame.width, frame.height);
  for (const Star& star : stars) {
    if (!star.fitted || star.kind != StarClass::star || star.snr < least_snr ||
        !(star.fwhm_px > 0.0) || !(star.fwhm_minor_px > 0.0)) {
      continue;
    }
    const double a2 = star.fwhm_major_px * star.fwhm_major_px;
    const double b2 = star.fwhm_minor_px * star.fwhm_minor_px;
    const double e = (a2 - b2) / (a2 + b2);
    const double twice = 2.0 * star.angle_deg * degree;
    samples.push_back({star.x, star.y, (star.x - 0.5 * (frame.width - 1)) / half,
                       (star.y - 0.5 * (frame.height - 1)) / half, star.fwhm_px, star.fwhm_error_px,
                       e * std::cos(twice), e * std::sin(twice)});
  }
  return samples;
}

double as_ellipticity(double e) {
  const double bounded = std::min(e, 0.999);
  return 1.0 - std::sqrt((1.0 - bounded) / (1.0 + bounded));
}

void fill_maps(const std::vector<Sample>& samples, Size frame, FieldShape& shape) {
  std::array<std::vector<double>, 9> widths, along, across;
  for (const Sample& s : samples) {
    const int i = std::clamp(static_cast<int>(3.0 * (s.x + 0.5) / frame.width), 0, 2);
    const int j = std::clamp(static_cast<int>(3.0 * (s.y + 0.5) / frame.height), 0, 2);
    const auto cell = static_cast<std::size_t>(3 * j + i);
    widths[cell].push_back(s.fwhm);
    along[cell].push_back(s.along);
    across[cell].push_back(s.across);
  }
  constexpr std::size_t enough = 3;
  for (std::size_t cell = 0; cell < 9; ++cell) {
    if (widths[cell].size() < enough) continue;
    shape.fwhm_map_px[cell] = median(widths[cell]);
    const double x = median(along[cell]);
    const double y = median(across[cell]);
    shape.ellipticity_map[cell] = as_ellipticity(std::hypot(x, y));
    const double angle = 0.5 * std::atan2(y, x) / degree;
    shape.direction_map_deg[cell] = angle < 0.0 ? angle + 180.0 : angle;
  }
}

/// Errors of the fits below the stars' own scatter (seeing cells, blends) count for little.
std::vector<SurfacePoint> surface_points(const std::vector<Sample>& samples) {
  std::vector<double> widths;
  for (const Sample& s : samples) widths.push_back(s.fwhm);
  const double scatter = std::max(0.3 * robust_sigma(widths), 0.005 * median(widths));
  std::vector<SurfacePoint> points;
  for (const Sample& s : samples) {
    const double sd = 2.0 * s.fwhm * std::hypot(s.error, scatter);
    points.push_back({s.x, s.y, s.fwhm * s.fwhm, 1.0 / (sd * sd)});
  }
  return points;
}

void fit_widths(const std::vector<Sample>& samples, Size frame, FieldShape& shape) {
  const auto points = surface_points(samples);
  const auto fit = fit_chebyshev(points, frame, 2, 3.5);
  if (fit.status != FitStatus::converged || fit.covariance.size() != 36) return;
  const auto& c = fit.surface.coefficients;  // 1, u, v, T2(u), uv, T2(v)
  const double s2 = fit.residual_sigma * fit.residual_sigma;
  const auto covariance = [&](std::size_t i, std::size_t j) {
    return s2 * fit.covariance[6 * i + j];
  };
  const double centre2 = c[0] - c[3] - c[5];
  const double corner2 = c[0] + c[3] + c[5];
  const double mean2 = c[0];
  if (!(centre2 > 0.0) || !(corner2 > 0.0) || !(mean2 > 0.0)) return;
  shape.stars = static_cast<int>(fit.used);
  shape.centre_fwhm_px = std::sqrt(centre2);
  // d(FWHM) = d(FWHM^2) / (2 FWHM); -1 to 1 from edge to edge.
  const double width = std::sqrt(mean2);
  const double linear = std::hypot(c[1], c[2]);
  shape.tilt_px.value = linear / width;
  const double cu = linear > 0.0 ? c[1] / linear : 1.0;
  const double cv = linear > 0.0 ? c[2] / linear : 0.0;
  const double variance =
      cu * cu * covariance(1, 1) + 2.0 * cu * cv * covariance(1, 2) + cv * cv * covariance(2, 2);
  shape.tilt_px.error = std::sqrt(std::max(variance, 0.0)) / width;
  // Direction in pixels: gradients per pixel, not per half side.
  const double angle = std::atan2(c[2] / frame.height, c[1] / frame.width) / degree;
  shape.tilt_direction_deg = angle < 0.0 ? angle + 360.0 : angle;
  shape.curvature_px.value = std::sqrt(corner2) - std::sqrt(centre2);
  const double rise = covariance(3, 3) + 2.0 * covariance(3, 5) + covariance(5, 5);
  shape.curvature_px.error = std::sqrt(std::max(rise, 0.0)) / width;
}

/// Two equations per star: e = e0 + g (u^2 - v^2, 2uv).
void fit_elongations(const std::vector<Sample>& samples, FieldShape& shape) {
  std::vector<char> good(samples.size(), 1);
  for (int round = 0; round < 4; ++round) {
    std::vector<double> design, values;
    for (std::size_t i = 0; i < samples.size(); ++i) {
      if (good[i] == 0) continue;
      const Sample& s = samples[i];
      design.insert(design.end(), {1.0, 0.0, s.u * s.u - s.v * s.v, 0.0, 1.0, 2.0 * s.u * s.v});
      values.insert(values.end(), {s.along, s.across});
    }
    const auto fit = linear_least_squares(design, 3, values);
    if (fit.status != FitStatus::converged) return;
    std::vector<double> residuals;
    for (std::size_t k = 0; k < values.size(); ++k) {
      residuals.push_back(values[k] - fit.coefficients[0] * design[3 * k] -
                          fit.coefficients[1] * design[3 * k + 1] -
                          fit.coefficients[2] * design[3 * k + 2]);
    }
    const double scatter = robust_sigma(residuals);
    shape.corner_elongation = {fit.coefficients[2], scatter * std::sqrt(fit.covariance[8])};
    std::size_t row = 0;
    for (char& keep : good) {
      if (keep == 0) continue;
      keep = std::hypot(residuals[row], residuals[row + 1]) <= 4.0 * scatter ? 1 : 0;
      row += 2;
    }
    if (std::count(good.begin(), good.end(), char{1}) < field_shape_least_stars) return;
  }
}

}  // namespace

FieldShape measure_field_shape(const StarList& stars, Size frame) {
  FieldShape shape;
  if (frame.width < 2 || frame.height < 2) return shape;
  const auto samples = samples_of(stars, frame);
  fill_maps(samples, frame, shape);
  if (samples.size() < static_cast<std::size_t>(field_shape_least_stars)) return shape;
  fit_widths(samples, frame, shape);
  if (shape.stars > 0) fit_elongations(samples, shape);
  return shape;
}

}  // namespace coldframe::stars
