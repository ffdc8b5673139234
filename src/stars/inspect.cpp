#include <algorithm>
#include <array>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {
namespace {

bool is_bad(const DetectionFrame& frame, int x, int y) noexcept {
  return frame.mask(x, y) != 0 || !std::isfinite(frame.image(x, y));
}

bool measured(const DetectionFrame& frame, int x, int y) noexcept {
  return frame.cfa == CfaPattern::none || cfa_colour(frame.cfa, x, y) == 1;
}

struct CoreCount {
  int all = 0;
  int bad = 0;  ///< masked for any reason but saturation
  int saturated = 0;
};

CoreCount count_core(const DetectionFrame& frame, const Peak& peak, double radius) noexcept {
  CoreCount count;
  const int r = static_cast<int>(std::ceil(radius));
  const Rect window = Rect{peak.x - r, peak.y - r, peak.x + r + 1, peak.y + r + 1}.intersect(
      whole(frame.image.size()));
  for (int y = window.y0; y < window.y1; ++y) {
    for (int x = window.x0; x < window.x1; ++x) {
      const int r2 = (x - peak.x) * (x - peak.x) + (y - peak.y) * (y - peak.y);
      if (r2 > radius * radius || !measured(frame, x, y)) continue;
      ++count.all;
      const bool full = (frame.mask(x, y) & mask_bit::saturated) != 0;
      count.saturated += full ? 1 : 0;
      count.bad += !full && is_bad(frame, x, y) ? 1 : 0;
    }
  }
  return count;
}

/// Offset of a parabola's top through three equidistant values, within half a step.
double parabola_top(double left, double mid, double right) noexcept {
  const double bend = left - 2.0 * mid + right;
  return bend < 0.0 ? std::clamp(0.5 * (left - right) / bend, -0.5, 0.5) : 0.0;
}

Point refined(const Grid<float>& values, const Peak& peak) noexcept {
  const auto at = [&](int dx, int dy) {
    return static_cast<double>(values(std::clamp(peak.x + dx, 0, values.width() - 1),
                                      std::clamp(peak.y + dy, 0, values.height() - 1)));
  };
  return {peak.x + parabola_top(at(-1, 0), at(0, 0), at(1, 0)),
          peak.y + parabola_top(at(0, -1), at(0, 0), at(0, 1))};
}

/// A pixel against its nearest measured neighbours.
struct Sharpness {
  double ratio = 1.0;  ///< neighbours' mean over the brightest pixel, above the sky
  double error = 1.0;
  double top = 0.0;  ///< brightest pixel above the sky
};

Sharpness sharpness(const DetectionFrame& frame, const Peak& peak, double sky,
                    double sigma) noexcept {
  Sharpness result;
  const Rect all = whole(frame.image.size());
  int bx = -1;
  int by = -1;
  for (int y = peak.y - 1; y <= peak.y + 1; ++y) {
    for (int x = peak.x - 1; x <= peak.x + 1; ++x) {
      if (!all.contains(x, y) || is_bad(frame, x, y) || !measured(frame, x, y)) continue;
      if (bx < 0 || frame.image(x, y) > frame.image(bx, by)) {
        bx = x;
        by = y;
      }
    }
  }
  if (bx < 0) return result;
  result.top = static_cast<double>(frame.image(bx, by)) - sky;
  // Greens touch greens at the corners only.
  using Steps = std::array<std::array<int, 2>, 4>;
  const Steps steps = frame.cfa == CfaPattern::none ? Steps{{{-1, 0}, {1, 0}, {0, -1}, {0, 1}}}
                                                    : Steps{{{-1, -1}, {1, 1}, {1, -1}, {-1, 1}}};
  double sum = 0.0;
  int count = 0;
  for (const auto& step : steps) {
    const int x = bx + step[0];
    const int y = by + step[1];
    if (!all.contains(x, y) || is_bad(frame, x, y)) continue;
    sum += static_cast<double>(frame.image(x, y)) - sky;
    ++count;
  }
  if (count < 2 || !(result.top > 0.0)) return result;
  result.ratio = sum / count / result.top;
  result.error = sigma * std::sqrt(1.0 / count + result.ratio * result.ratio) / result.top;
  return result;
}

/// The same ratio for a star centred on a pixel: no star of this width has a lower one.
double least_ratio(double fwhm_px, CfaPattern cfa) noexcept {
  const double along = least_side_ratio(fwhm_px);
  return cfa == CfaPattern::none ? along : along * along;
}

/// Centre and radius of the saturated patch around a peak.
void centre_on_saturation(const DetectionFrame& frame, Source& source) noexcept {
  for (int half = 4; half <= 64; half *= 2) {
    const int cx = static_cast<int>(std::lround(source.star.x));
    const int cy = static_cast<int>(std::lround(source.star.y));
    const Rect window = Rect{cx - half, cy - half, cx + half + 1, cy + half + 1}.intersect(
        whole(frame.image.size()));
    double n = 0.0;
    double sx = 0.0;
    double sy = 0.0;
    bool touches = false;
    for (int y = window.y0; y < window.y1; ++y) {
      for (int x = window.x0; x < window.x1; ++x) {
        if ((frame.mask(x, y) & mask_bit::saturated) == 0) continue;
        n += 1.0;
        sx += x;
        sy += y;
        touches = touches || std::max(std::abs(x - cx), std::abs(y - cy)) >= half - 1;
      }
    }
    if (n <= 0.0) return;
    source.star.x = sx / n;
    source.star.y = sy / n;
    source.saturated_radius = std::sqrt(n / 3.14159);
    if (!touches) return;
  }
}

/// Width between the half-height points of the filtered image, kernel taken out.
double width_from_filtered(const FilteredFrame& filtered, const Peak& peak) noexcept {
  const Grid<float>& values = filtered.values;
  const float half = 0.5F * values(peak.x, peak.y);
  constexpr std::array<std::array<int, 2>, 4> steps{{{-1, 0}, {1, 0}, {0, -1}, {0, 1}}};
  double sum = 0.0;
  for (const auto& step : steps) {
    int k = 1;
    float before = values(peak.x, peak.y);
    double reach = 40.0;
    for (; k <= 40; ++k) {
      const int x = peak.x + k * step[0];
      const int y = peak.y + k * step[1];
      if (!whole(values.size()).contains(x, y)) break;
      const float here = values(x, y);
      if (here < half) {
        reach = k - 1 + static_cast<double>((before - half) / (before - here));
        break;
      }
      before = here;
    }
    sum += reach;
  }
  const double width = 0.5 * sum;
  return std::sqrt(std::max(width * width - filtered.fwhm_px * filtered.fwhm_px, 1.5));
}

Source look(const DetectionFrame& frame, const FilteredFrame& filtered, const Peak& peak,
            double fwhm_px, const PeakLimits& limits, bool needs_significance) {
  const double ratio_limit = limits.least_ratio;
  Source source;
  source.peak = peak;
  const Size size = frame.image.size();
  const double sigma = static_cast<double>(frame.sky->noise_at(peak.x, peak.y));
  const double unit = sigma * filtered.noise_ratio;
  source.pedestal = static_cast<double>(peak.pedestal) * unit * filtered.norm2d;
  const Point top = refined(filtered.values, peak);
  Star& star = source.star;
  star.x = top.x;
  star.y = top.y;
  star.sky = static_cast<double>(frame.sky->level_at(peak.x, peak.y)) + source.pedestal;
  star.flux = static_cast<double>(peak.value - peak.pedestal) * unit / filtered.norm2d;
  star.snr = static_cast<double>(peak.value - peak.pedestal);
  star.fwhm_px = fwhm_px;
  star.fwhm_major_px = fwhm_px;
  star.fwhm_minor_px = fwhm_px;
  const CoreCount core = count_core(frame, peak, std::max(1.0, 0.6 * fwhm_px));
  source.saturated = core.saturated > 0;
  source.dropped = core.all == 0 || core.bad > 0.6 * core.all;
  const double border = std::max(1.0, 0.75 * fwhm_px);
  source.edge = star.x < border || star.y < border || star.x > size.width - 1 - border ||
                star.y > size.height - 1 - border || core.bad > 0.3 * core.all;
  if (source.saturated) {
    centre_on_saturation(frame, source);
    return source;
  }
  const Sharpness sharp = sharpness(frame, peak, star.sky, sigma);
  star.peak = sharp.top;
  source.sharp_edge = look_for_edge(frame, peak, star.sky, sigma);
  source.sharp = sharp.ratio < ratio_limit;
  if (needs_significance) {
    // A lone pixel explains more of the light than a star of the field's width does, and its
    // neighbours are nearer to nothing than to what a star centred on it shows at least.
    source.sharp = sharp.ratio < 0.6 * ratio_limit && sharp.top > 5.0 * sigma &&
                   ratio_limit - sharp.ratio > 2.0 * sharp.error &&
                   sharp.top > 0.9 * star.snr * sigma * filtered.noise_ratio;
    // A hit of several pixels. Stars in the field's sharper parts must not pass for one.
    source.sharp = source.sharp || edge_sharper_than(source, limits.edge_side);
  }
  return source;
}

}  // namespace

PeakLimits peak_limits(double fwhm_px, CfaPattern cfa) noexcept {
  return {fwhm_px, least_ratio(fwhm_px, cfa), least_side_ratio(0.75 * fwhm_px)};
}

PeakLimits narrowest_limits(CfaPattern cfa) noexcept {
  constexpr double narrowest = 1.2;
  return {narrowest, 0.5 * least_ratio(narrowest, cfa), 0.0};
}

Source inspect_peak(const DetectionFrame& frame, const FilteredFrame& filtered, const Peak& peak,
                    const PeakLimits& limits) {
  return look(frame, filtered, peak, limits.fwhm_px, limits, true);
}

Source inspect_first_peak(const DetectionFrame& frame, const FilteredFrame& filtered,
                          const Peak& peak, const PeakLimits& narrowest) {
  return look(frame, filtered, peak, width_from_filtered(filtered, peak), narrowest, false);
}

int fit_radius(double fwhm_px) noexcept {
  return std::clamp(static_cast<int>(std::ceil(2.2 * fwhm_px)) + 2, 5, max_fit_radius);
}

}  // namespace coldframe::stars
