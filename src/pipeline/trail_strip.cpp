#include "trail_strip.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline::detail {
namespace {

using stack::Trail;

Trail part_of(Trail trail, double from, double to) noexcept {
  const double dx = trail.x2 - trail.x1;
  const double dy = trail.y2 - trail.y1;
  trail.x2 = trail.x1 + to * dx;
  trail.y2 = trail.y1 + to * dy;
  trail.x1 += from * dx;
  trail.y1 += from * dy;
  return trail;
}

// What the model has beside a piece of the line, in full: the core of a galaxy is masked in the
// residual, its flank is not. The median of the piece: single stars are masked.
std::optional<double> model_beside(const Grid<float>& model, const Trail& part, double across) {
  const double length = std::max(length_of(part), 1.0);
  const double ux = (part.x2 - part.x1) / length;
  const double uy = (part.y2 - part.y1) / length;
  std::vector<double> values;
  for (int k = 0; k <= static_cast<int>(length); ++k) {
    const int x = static_cast<int>(std::lround(part.x1 + ux * k - uy * across));
    const int y = static_cast<int>(std::lround(part.y1 + uy * k + ux * across));
    if (whole(model.size()).contains(x, y)) values.push_back(static_cast<double>(model(x, y)));
  }
  return values.empty() ? std::nullopt : std::optional(median(values));
}

// A bright star of the model that the line passes.
struct PassedStar {
  double at = 0.0;     ///< pixels from the first end
  double reach = 0.0;  ///< along the line, of the rays that such a star may have
};

// Rays fade with the square of the distance: their reach goes with the root of the light. That of
// a star of 150 noise units is seen over some 20 pixels.
double reach_of_rays(const Grid<float>& model, int x, int y, float bright) {
  constexpr double usual_px = 20.0;
  constexpr double usual_light = 3.0;  // of a star that just counts, in `bright`
  const Rect around = Rect{x - 10, y - 10, x + 11, y + 11}.intersect(whole(model.size()));
  double light = 0.0;
  for (int j = around.y0; j < around.y1; ++j) {
    for (int i = around.x0; i < around.x1; ++i) {
      if (model(i, j) > bright) light += static_cast<double>(model(i, j) / bright);
    }
  }
  return usual_px * std::sqrt(std::max(light / usual_light, 1.0));
}

std::vector<PassedStar> stars_on(const TrailResidual& residual, const Trail& trail, float bright) {
  constexpr double apart = 10.0;
  const double length = length_of(trail);
  const double ux = (trail.x2 - trail.x1) / length;
  const double uy = (trail.y2 - trail.y1) / length;
  std::vector<PassedStar> stars;
  float peak = 0.0F;
  for (double t = -20.0; t <= length + 20.0; t += 1.0) {
    for (double across = -4.0; across <= 4.0; across += 1.0) {
      const int x = static_cast<int>(std::lround(trail.x1 + ux * t - uy * across));
      const int y = static_cast<int>(std::lround(trail.y1 + uy * t + ux * across));
      if (!whole(residual.model.size()).contains(x, y) || !(residual.model(x, y) > bright))
        continue;
      const bool another = stars.empty() || t - stars.back().at > apart;
      if (!another && !(residual.model(x, y) > peak)) continue;
      if (another) stars.emplace_back();
      stars.back() = {t, reach_of_rays(residual.model, x, y, bright)};
      peak = residual.model(x, y);
    }
  }
  return stars;
}

// The line goes on as bright where no star's rays reach.
bool goes_on(const TrailResidual& residual, const Trail& trail,
             const std::vector<PassedStar>& stars) {
  constexpr int pieces = 32;
  constexpr double seen = 3.5;
  const int half_width = strip_half_width(trail);
  const auto mean = measure_strip(residual.values, residual.mask, trail, 0.0, 0.0, half_width);
  const double length = length_of(trail);
  double sum = 0.0;
  double weight = 0.0;
  for (int k = 0; k < pieces; ++k) {
    const double from = k / static_cast<double>(pieces);
    const double to = (k + 1) / static_cast<double>(pieces);
    if (std::any_of(stars.begin(), stars.end(), [&](const PassedStar& star) {
          return std::fabs(0.5 * (from + to) * length - star.at) < star.reach;
        })) {
      continue;
    }
    const auto own = measure_strip(residual.values, residual.mask, part_of(trail, from, to), 0.0,
                                   0.0, half_width);
    if (!own) continue;
    const double good = 1.0 / (own->error * own->error);
    sum += own->mean * good;
    weight += good;
  }
  return mean && weight > 0.0 && sum > seen * std::sqrt(weight) && sum > 0.5 * mean->mean * weight;
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

int strip_half_width(const Trail& t) noexcept {
  constexpr double best = 1.19;
  return std::clamp(static_cast<int>(std::lround(0.5 * (best * t.core_px - 1.0))), 1, 8);
}

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

bool is_ray(const TrailResidual& residual, const Trail& trail) {
  constexpr float bright = 150.0F;
  constexpr double faint = 20.0;
  const auto stars = stars_on(residual, trail, bright);
  if (stars.empty() || goes_on(residual, trail, stars)) return false;
  // Of short ones too little is seen outside the star's reach to tell.
  constexpr double short_px = 250.0;
  return (length_of(trail) < short_px && trail.significance < faint) ||
         std::any_of(stars.begin(), stars.end(),
                     [&](const PassedStar& star) { return is_ray_of(star.at, residual, trail); });
}

bool is_share_of_model(const TrailResidual& residual, const Trail& trail) {
  constexpr double largest_share = 0.3;
  constexpr int pieces = 16;
  const int half_width = strip_half_width(trail);
  const auto whole_line =
      measure_strip(residual.values, residual.mask, trail, 0.0, 0.0, half_width);
  const double mean = whole_line ? whole_line->mean : 0.0;
  // Pieces where the model is too faint to explain the trail must show it as well.
  double sum = 0.0;
  double weight = 0.0;
  double all = 0.0;
  for (int k = 0; k < pieces; ++k) {
    const Trail part =
        part_of(trail, k / static_cast<double>(pieces), (k + 1) / static_cast<double>(pieces));
    const auto own = measure_strip(residual.values, residual.mask, part, 0.0, 0.0, half_width);
    if (!own) continue;
    const double good = 1.0 / (own->error * own->error);
    all += good;
    std::vector<double> around;
    double on = -1e9;
    constexpr int reach = 8;
    for (int j = -reach; j <= reach; ++j) {
      const auto here = model_beside(residual.model, part, 6.0 * j);
      if (here) around.push_back(*here);
    }
    // What moves a little also shows beside its middle, and on the flank of what is broad.
    double least = 1e9;
    for (double d = -trail.core_px - 3.0; d <= trail.core_px + 3.0; d += 3.0) {
      const auto here = model_beside(residual.model, part, d);
      if (!here) continue;
      on = std::max(on, *here);
      least = std::min(least, *here);
    }
    // The extremes of some medians of so many noisy pixels lie that far apart by chance.
    const double chance = 5.0 * residual.model_noise / std::sqrt(std::max(length_of(part), 1.0));
    const double structure =
        around.size() < 8 ? 0.0 : std::max(on - median(around), on - least) - chance;
    if (mean < largest_share * structure) continue;
    sum += own->mean * good;
    weight += good;
  }
  if (weight >= 0.9 * all) return false;
  if (weight < 0.2 * all) return true;
  return sum / weight < 0.6 * mean || sum / std::sqrt(weight) < 3.5;
}

}  // namespace coldframe::pipeline::detail
