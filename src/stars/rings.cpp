#include "stars/rings.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "coldframe/core/statistics.hpp"
#include "stars/fit_pixels.hpp"
#include "stars/fit_tasks.hpp"

namespace coldframe::stars {
namespace {

constexpr int longest_radius = 64;
constexpr std::size_t sectors = 8;

/// Calls `visit(dx, dy, value above the sky)` for the good pixels within `radius` of a point.
template <typename Visit>
void around(const DetectionFrame& frame, Point at, double radius, double sky, Visit&& visit) {
  const int r = static_cast<int>(std::ceil(radius));
  const int cx = static_cast<int>(std::lround(at.x));
  const int cy = static_cast<int>(std::lround(at.y));
  const Rect window =
      Rect{cx - r, cy - r, cx + r + 1, cy + r + 1}.intersect(whole(frame.image.size()));
  for (int y = window.y0; y < window.y1; ++y) {
    for (int x = window.x0; x < window.x1; ++x) {
      const double dx = x - at.x;
      const double dy = y - at.y;
      if (dx * dx + dy * dy > radius * radius) continue;
      if (!usable_pixel(frame.image, frame.mask, frame.cfa, x, y)) continue;
      visit(dx, dy, static_cast<double>(frame.image(x, y)) - sky);
    }
  }
}

double sky_at(const DetectionFrame& frame, Point at) noexcept {
  return static_cast<double>(frame.sky->level_at(at.x, at.y));
}

Point centroid(const DetectionFrame& frame, Point start, double radius, double sky) noexcept {
  Point at = start;
  for (int round = 0; round < 4; ++round) {
    double light = 0.0, x = 0.0, y = 0.0;
    around(frame, at, radius, sky, [&](double dx, double dy, double value) {
      light += value;
      x += value * dx;
      y += value * dy;
    });
    if (!(light > 0.0)) return start;
    at.x += std::clamp(x / light, -0.5 * radius, 0.5 * radius);
    at.y += std::clamp(y / light, -0.5 * radius, 0.5 * radius);
    if (std::hypot(at.x - start.x, at.y - start.y) > radius) return start;
  }
  return at;
}

/// Mean light in rings one pixel wide.
struct RadialMean {
  std::array<double, longest_radius> mean{};
  std::array<double, longest_radius> count{};
  int size = 0;

  RadialMean(const DetectionFrame& frame, Point at, double radius, double sky) noexcept
      : size(std::min(static_cast<int>(radius), longest_radius - 1)) {
    around(frame, at, size + 0.49, sky, [&](double dx, double dy, double value) {
      const auto k = static_cast<std::size_t>(std::lround(std::hypot(dx, dy)));
      if (k >= mean.size()) return;
      mean[k] += value;
      count[k] += 1.0;
    });
    for (std::size_t k = 0; k < mean.size(); ++k) {
      if (count[k] > 0.0) mean[k] /= count[k];
    }
  }
  [[nodiscard]] double at(int k) const noexcept { return mean[static_cast<std::size_t>(k)]; }
  [[nodiscard]] int crest() const noexcept {
    int best = 0;
    for (int k = 1; k <= size; ++k) {
      if (at(k) > at(best)) best = k;
    }
    return best;
  }
  /// Where the profile falls below half of its crest, going outwards; 0: nowhere.
  [[nodiscard]] double half_radius() const noexcept {
    const int top = crest();
    const double half = 0.5 * at(top);
    for (int k = top + 1; k <= size; ++k) {
      if (at(k) <= half) return k - 1 + (at(k - 1) - half) / std::max(at(k - 1) - at(k), 1e-30);
    }
    return 0.0;
  }
  /// Mean over the pixels within a fifth of the crest's radius.
  [[nodiscard]] double hole() const noexcept {
    const int last = std::max(1, crest() / 5);
    double sum = 0.0, n = 0.0;
    for (int k = 0; k <= last; ++k) {
      sum += at(k) * count[static_cast<std::size_t>(k)];
      n += count[static_cast<std::size_t>(k)];
    }
    return n > 0.0 ? sum / n : 0.0;
  }
};

/// A spider takes a little of some sectors; of a pair of stars most sectors are dark.
bool lit_all_around(const DetectionFrame& frame, Point at, double radius, double sky) noexcept {
  std::array<double, sectors> light{};
  std::array<double, sectors> count{};
  around(frame, at, radius, sky, [&](double dx, double dy, double value) {
    if (dx * dx + dy * dy < 0.36 * radius * radius) return;
    const double turn = std::atan2(dy, dx) / (2.0 * std::numbers::pi) + 1.0;
    const auto k = static_cast<std::size_t>(turn * static_cast<double>(sectors)) % sectors;
    light[k] += value;
    count[k] += 1.0;
  });
  double sum = 0.0, n = 0.0;
  for (std::size_t k = 0; k < sectors; ++k) {
    sum += light[k];
    n += count[k];
  }
  if (!(sum > 0.0)) return false;
  constexpr double share = 0.4;  // of the mean of all
  std::size_t lit = 0;
  for (std::size_t k = 0; k < sectors; ++k) {
    if (count[k] > 0.0 && light[k] / count[k] > share * sum / n) ++lit;
  }
  return lit + 1 >= sectors;
}

}  // namespace

std::optional<Ring> ring_at(const DetectionFrame& frame, Point start, double width_px) noexcept {
  constexpr double darkest_star = 0.9;  // a star's centre is its crest
  constexpr int least_crest = 2;
  const double sky = sky_at(frame, start);
  const Point at = centroid(frame, start, 1.1 * width_px, sky);
  const RadialMean mean(frame, at, 2.0 * width_px, sky);
  const int crest = mean.crest();
  const double height = mean.at(crest);
  const double sigma = static_cast<double>(frame.sky->noise_at(start.x, start.y));
  const double hole = mean.hole();
  const double photon = frame.gain_e_per_unit > 0.0 ? 1.0 / frame.gain_e_per_unit : 0.0;
  // Of the five pixels at least that the hole is the mean of.
  const double chance = 4.0 * std::sqrt((sigma * sigma + height * photon) / 5.0);
  if (crest < least_crest || height < sigma || hole > darkest_star * height ||
      height - hole < chance) {
    return std::nullopt;
  }
  const double half = mean.half_radius();
  if (!(half > crest) || half < 0.25 * width_px) return std::nullopt;
  if (!lit_all_around(frame, at, half, sky)) return std::nullopt;
  return Ring{at, 2.0 * half};
}

double ring_field(const DetectionFrame& frame, FilteredFrame& filtered, Threads threads) {
  constexpr double threshold = 12.0;
  constexpr std::size_t enough = 40;
  double best_share = 0.0;
  double diameter = 0.0;
  for (const double width : {8.0, 14.0, 24.0}) {
    filter_frame(frame, width, threads, filtered);
    const PeakLimits narrowest = narrowest_limits(frame.cfa);
    std::vector<double> diameters;
    std::size_t looked = 0;
    for (const Peak& peak : keep_prominent(
             frame, filtered, find_peaks(filtered, threshold, threads), threshold, threads)) {
      if (looked >= enough) break;
      const Source source = inspect_first_peak(frame, filtered, peak, narrowest);
      if (source.sharp || source.saturated || source.edge || source.dropped) continue;
      ++looked;
      const auto ring = ring_at(frame, {source.star.x, source.star.y}, width);
      if (ring) diameters.push_back(ring->diameter_px);
    }
    if (diameters.size() < 3) continue;
    const double share = static_cast<double>(diameters.size()) / static_cast<double>(looked);
    if (share <= best_share) continue;
    best_share = share;
    diameter = median_in_place(std::span<double>(diameters));
  }
  return best_share >= 0.5 ? diameter : 0.0;
}

namespace {

/// Second moments as an ellipse of the given mean diameter.
Ellipse ellipse_of_moments(double xx, double xy, double yy, double diameter) noexcept {
  const double half = 0.5 * (xx + yy);
  const double turn = std::hypot(0.5 * (xx - yy), xy);
  const double ratio =
      half > 0.0 ? std::sqrt(std::clamp((half - turn) / (half + turn), 0.01, 1.0)) : 1.0;
  const double angle = 0.5 * std::atan2(2.0 * xy, xx - yy) * 180.0 / std::numbers::pi;
  return {diameter / std::sqrt(ratio), diameter * std::sqrt(ratio),
          angle < 0.0 ? angle + 180.0 : angle};
}

struct Moments {
  double light = 0.0, variance = 0.0, position_variance = 0.0;
  double xx = 0.0, xy = 0.0, yy = 0.0;
};

Moments moments_of(const DetectionFrame& frame, Point at, double radius, double sky,
                   double sigma) noexcept {
  Moments m;
  const double photon = frame.gain_e_per_unit > 0.0 ? 1.0 / frame.gain_e_per_unit : 0.0;
  around(frame, at, radius, sky, [&](double dx, double dy, double value) {
    const double variance = sigma * sigma + std::max(0.0, value) * photon;
    m.light += value;
    m.variance += variance;
    m.position_variance += 0.5 * variance * (dx * dx + dy * dy);
    m.xx += value * dx * dx;
    m.xy += value * dx * dy;
    m.yy += value * dy * dy;
  });
  return m;
}

void measure_ring(const DetectionFrame& frame, double diameter, Source& source) {
  Star& star = source.star;
  const double sky = sky_at(frame, {star.x, star.y});
  const double sigma = static_cast<double>(frame.sky->noise_at(star.x, star.y));
  const Point at = centroid(frame, {star.x, star.y}, 0.7 * diameter, sky);
  const Moments m = moments_of(frame, at, 0.7 * diameter, sky, sigma);
  if (!(m.light > 0.0) || std::hypot(at.x - star.x, at.y - star.y) > 0.5 * diameter) return;
  const RadialMean mean(frame, at, 1.5 * diameter, sky);
  const double half = mean.half_radius();
  // A mosaic's greens are half of the pixels.
  const double share = frame.cfa == CfaPattern::none ? 1.0 : 2.0;
  star.x = at.x;
  star.y = at.y;
  star.sky = sky;
  star.flux = share * m.light;
  star.flux_error = share * std::sqrt(m.variance);
  star.snr = m.light / std::sqrt(m.variance);
  star.x_error = std::sqrt(m.position_variance) / m.light;
  star.y_error = star.x_error;
  star.peak = mean.at(mean.crest());
  star.chi2_per_dof = 1.0;
  source.converged = true;
  constexpr double least_snr = 20.0;
  const bool sure = half > 0.0 && star.snr > least_snr && source.isolated && !source.edge;
  const Ellipse shape = ellipse_of_moments(m.xx, m.xy, m.yy, sure ? 2.0 * half : diameter);
  star.fitted = sure;
  star.fwhm_major_px = sure ? shape.major : diameter;
  star.fwhm_minor_px = sure ? shape.minor : diameter;
  star.fwhm_px = sure ? 2.0 * half : diameter;
  star.fwhm_error_px = sure ? star.fwhm_px / star.snr : 0.0;
  star.ellipticity = 1.0 - star.fwhm_minor_px / star.fwhm_major_px;
  star.angle_deg = shape.angle_deg;
  source.optical_major = star.fwhm_major_px;
  source.optical_minor = star.fwhm_minor_px;
}

}  // namespace

void measure_rings(const DetectionFrame& frame, double diameter_px, std::vector<Source>& sources,
                   FieldProfile& profile, Threads threads) {
  const Crowd crowd(sources, frame.image.size(), 3.0 * diameter_px);
  std::vector<std::size_t> all;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    sources[i].isolated = crowd.isolated(i, 1.8 * diameter_px);
    if (!sources[i].dropped && !sources[i].saturated) all.push_back(i);
  }
  for_each_fit(all, threads,
               [&](std::size_t i, FitWorkspace&) { measure_ring(frame, diameter_px, sources[i]); });
  std::vector<double> widths;
  for (const Source& s : sources) {
    if (s.star.fitted && !s.dropped) widths.push_back(s.star.fwhm_px);
  }
  if (!widths.empty()) profile.fwhm_px = median_in_place(std::span<double>(widths));
  profile.optical_px = profile.fwhm_px;
  profile.stars = static_cast<int>(widths.size());
}

}  // namespace coldframe::stars
