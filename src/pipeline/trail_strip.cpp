#include "trail_strip.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline::detail {
namespace {

using stack::Trail;

// Places along the line where it passes a bright star of the model.
std::vector<double> stars_on(const TrailResidual& residual, const Trail& trail, float bright) {
  constexpr double apart = 10.0;
  const double length = length_of(trail);
  const double ux = (trail.x2 - trail.x1) / length;
  const double uy = (trail.y2 - trail.y1) / length;
  std::vector<double> stars;
  float peak = 0.0F;
  for (double t = -20.0; t <= length + 20.0; t += 1.0) {
    for (double across = -4.0; across <= 4.0; across += 1.0) {
      const int x = static_cast<int>(std::lround(trail.x1 + ux * t - uy * across));
      const int y = static_cast<int>(std::lround(trail.y1 + uy * t + ux * across));
      if (!whole(residual.model.size()).contains(x, y) || !(residual.model(x, y) > bright))
        continue;
      if (stars.empty() || t - stars.back() > apart) {
        stars.push_back(t);
      } else if (residual.model(x, y) > peak) {
        stars.back() = t;
      } else {
        continue;
      }
      peak = residual.model(x, y);
    }
  }
  return stars;
}

// A ray of a bright star fades away from it.
bool is_ray_of(double star, const TrailResidual& residual, const Trail& trail) {
  const double length = length_of(trail);
  const double ux = (trail.x2 - trail.x1) / length;
  const double uy = (trail.y2 - trail.y1) / length;
  const double far = std::max(std::fabs(star), std::fabs(length - star));
  std::array<double, 2> sum{};
  std::array<double, 2> good{};
  for (int k = 0; k <= static_cast<int>(length); ++k) {
    const std::size_t part = std::fabs(k - star) < 0.5 * far ? 0 : 1;
    for (int w = -1; w <= 1; ++w) {
      const int x = static_cast<int>(std::lround(trail.x1 + ux * k - uy * w));
      const int y = static_cast<int>(std::lround(trail.y1 + uy * k + ux * w));
      if (!whole(residual.model.size()).contains(x, y) || residual.mask(x, y) != 0) continue;
      sum[part] += static_cast<double>(residual.values(x, y));
      good[part] += 1.0;
    }
  }
  constexpr double enough = 15.0;
  if (good[0] < enough || good[1] < enough) return true;
  const double error = std::sqrt(1.0 / good[0] + 1.0 / good[1]);
  return sum[0] / good[0] > 1.7 * std::max(sum[1] / good[1], 0.0) + error;
}

}  // namespace

double length_of(const Trail& t) noexcept { return std::hypot(t.x2 - t.x1, t.y2 - t.y1); }

std::optional<Strip> measure_strip(const Grid<float>& values, const Mask& mask, const Trail& line,
                                   double first, double last, int half_width) {
  const double length = length_of(line);
  const double ux = (line.x2 - line.x1) / length;
  const double uy = (line.y2 - line.y1) / length;
  const Size size = values.size();
  double sum = 0.0;
  double good = 0.0;
  const auto steps = static_cast<int>(length);
  for (int k = 0; k <= steps; ++k) {
    const double middle = first + (last - first) * k / length;
    for (int w = -half_width; w <= half_width; ++w) {
      const double across = middle + w;
      const int x = static_cast<int>(std::lround(line.x1 + ux * k - uy * across));
      const int y = static_cast<int>(std::lround(line.y1 + uy * k + ux * across));
      if (!whole(size).contains(x, y) || mask(x, y) != 0) continue;
      // A single bright pixel, a residue of a star or a cosmic ray, does not make a line.
      sum += std::clamp(static_cast<double>(values(x, y)), -3.5, 3.5);
      good += 1.0;
    }
  }
  const bool seen = good > 0.3 * (steps + 1.0) * (2.0 * half_width + 1.0);
  return seen ? std::optional(Strip{sum / good, 1.0 / std::sqrt(good)}) : std::nullopt;
}

bool stands_still(const TrailResidual& residual, const Trail& trail) {
  const int half_width = trail.core_px > 7.0 ? 2 : 1;
  const double beside = trail.core_px + 2.0 * half_width + 2.0;
  const auto contrast = [&](const Grid<float>& values) -> double {
    const auto on = measure_strip(values, residual.mask, trail, 0.0, 0.0, half_width);
    const auto left = measure_strip(values, residual.mask, trail, -beside, -beside, half_width);
    const auto right = measure_strip(values, residual.mask, trail, beside, beside, half_width);
    if (!on) return 0.0;
    double sides = 0.0;
    double count = 0.0;
    for (const auto& side : {left, right}) {
      if (!side) continue;
      sides += side->mean;
      count += 1.0;
    }
    return on->mean - (count > 0.0 ? sides / count : 0.0);
  };
  return contrast(residual.hidden) > 0.5 * contrast(residual.values);
}

bool is_ray(const TrailResidual& residual, const Trail& trail) {
  constexpr float bright = 150.0F;
  constexpr float glaring = 600.0F;
  // Of short ones too little is seen outside the star's mask to tell.
  constexpr double short_px = 150.0;
  constexpr double faint = 20.0;
  if (length_of(trail) < short_px && trail.significance < faint &&
      !stars_on(residual, trail, glaring).empty()) {
    return true;
  }
  const auto stars = stars_on(residual, trail, bright);
  return std::any_of(stars.begin(), stars.end(),
                     [&](double star) { return is_ray_of(star, residual, trail); });
}

bool is_share_of_model(const TrailResidual& residual, const Trail& trail) {
  constexpr double largest_share = 0.3;
  const int half_width = trail.core_px > 7.0 ? 2 : 1;
  const auto light = [&](const Grid<float>& values, double offset) {
    const auto strip = measure_strip(values, residual.mask, trail, offset, offset, half_width);
    return strip ? std::optional(strip->mean) : std::nullopt;
  };
  std::vector<double> around;
  double on = -1e9;
  constexpr int reach = 16;
  for (int k = -reach; k <= reach; ++k) {
    const auto here = light(residual.model, 3.0 * k);
    if (!here) continue;
    around.push_back(*here);
    // What moves a little also shows beside its middle.
    if (std::abs(k) * 3.0 <= trail.core_px + 3.0) on = std::max(on, *here);
  }
  if (around.size() < 8) return false;
  const double structure = on - median(around);
  return light(residual.values, 0.0).value_or(0.0) < largest_share * structure;
}

}  // namespace coldframe::pipeline::detail
