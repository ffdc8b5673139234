#include "coldframe/sensor/mean_variance.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

/// EMVA 1288 R4.0, "dark noise": below this variance (code steps squared) rounding hides the
/// noise, and 0.40 steps (sqrt(0.24 - 1/12)) is all that can be said.
constexpr double least_dark_variance = 0.24;
constexpr double rounding_variance = 1.0 / 12.0;
/// Blocks of one pair whose levels span less than this share make one point.
constexpr double narrow_span = 0.05;
constexpr std::size_t points_per_pair = 6;
constexpr double least_pixels_of_point = 20000.0;
/// A point further below the line than this (and than its error allows) has full wells.
constexpr double bent_share = 0.08;
constexpr double bent_sigma = 5.0;

struct Weighted {
  double sum = 0.0;
  double weight = 0.0;
  void add(double value, double w) noexcept {
    sum += value * w;
    weight += w;
  }
  [[nodiscard]] double mean() const noexcept { return weight > 0.0 ? sum / weight : 0.0; }
};

TransferPoint point_of(std::span<const PairBlock* const> blocks, const DarkNoise& dark) {
  Weighted signal, variance, spread, fixed, neighbours;
  for (const auto* block : blocks) {
    signal.add(block->signal(), block->pixels);
    variance.add(block->variance, block->pixels);
    spread.add(block->spread, block->pixels);
    fixed.add(block->fixed_variance, block->fixed_pixels);
    neighbours.add(2.0 * (block->along_rows + block->along_columns) + 4.0 * block->diagonal,
                   block->pixels);
  }
  TransferPoint point;
  point.pixels = variance.weight;
  point.signal_adu = signal.mean();
  point.dark_adu2 = dark.variance_adu2 * spread.mean();
  point.variance_adu2 = variance.mean() - point.dark_adu2;
  // Variance of a variance from n Gaussian values: 2 var^2/n.
  point.error_adu2 = variance.mean() * std::sqrt(2.0 / point.pixels);
  point.fixed_variance_adu2 = fixed.mean() - dark.fixed_variance_adu2;
  // A mean product of n pairs of independent values scatters by var/sqrt(n).
  point.neighbours = neighbours.mean() / variance.mean();
  point.neighbours_error = std::sqrt((2.0 * 4.0 + 8.0) / point.pixels);
  return point;
}

bool counts(const TransferPoint& point, int site) { return site < 0 || point.site == site; }

struct Slope {
  double value = 0.0;
  double error = 0.0;
  double chi2 = 0.0;
  int points = 0;
};

// Weighted line through zero; the points' errors follow the line, not their own scatter.
Slope slope_of(std::span<const TransferPoint> points, int site) {
  Slope slope;
  for (int pass = 0; pass < 4; ++pass) {
    double sxy = 0.0;
    double sxx = 0.0;
    slope.chi2 = 0.0;
    slope.points = 0;
    for (const auto& point : points) {
      if (!counts(point, site) || point.use != PointUse::fitted) continue;
      const double model = slope.value * point.signal_adu + point.dark_adu2;
      const double error = pass > 0 && slope.value > 0.0
                               ? std::abs(model) * std::sqrt(2.0 / point.pixels)
                               : point.error_adu2;
      const double w = 1.0 / std::max(error * error, 1e-30);
      sxy += w * point.signal_adu * point.variance_adu2;
      sxx += w * point.signal_adu * point.signal_adu;
      const double off = point.variance_adu2 - slope.value * point.signal_adu;
      slope.chi2 += w * off * off;
      ++slope.points;
    }
    if (!(sxx > 0.0)) return {};
    slope.value = sxy / sxx;
    slope.error = 1.0 / std::sqrt(sxx);
  }
  return slope;
}

void mark_by_level(std::span<TransferPoint> points, double highest_adu, int site) {
  bool any = false;
  for (auto& point : points) {
    if (!counts(point, site)) continue;
    // Below a twentieth of the dark variance photons cannot be told from read noise.
    point.use = point.variance_adu2 < 0.05 * point.dark_adu2 &&
                        point.variance_adu2 < 10.0 * point.error_adu2
                    ? PointUse::too_dim
                : point.signal_adu > highest_adu ? PointUse::too_bright
                                                 : PointUse::fitted;
    any = any || point.use == PointUse::fitted;
  }
  if (any) return;
  for (auto& point : points) {
    if (counts(point, site) && point.use == PointUse::too_bright) point.use = PointUse::fitted;
  }
}

// Where wells fill up the noise falls below the line: from the top, until the rest is straight.
void leave_out_bent(std::span<TransferPoint> points, int site) {
  for (int pass = 0; pass < 8; ++pass) {
    const Slope slope = slope_of(points, site);
    if (slope.points < 3) return;
    double top = 0.0;
    double bottom = 1e300;
    for (const auto& p : points) {
      if (!counts(p, site) || p.use != PointUse::fitted) continue;
      top = std::max(top, p.signal_adu);
      bottom = std::min(bottom, p.signal_adu);
    }
    // The line of the lower half tells what the upper should be.
    std::vector<TransferPoint> lower(points.begin(), points.end());
    for (auto& p : lower) {
      if (p.signal_adu > 0.5 * (top + bottom) && p.use == PointUse::fitted)
        p.use = PointUse::too_bright;
    }
    const Slope base = slope_of(lower, site);
    if (base.points < 1 || !(base.value > 0.0)) return;
    bool changed = false;
    for (auto& p : points) {
      if (!counts(p, site) || p.use != PointUse::fitted) continue;
      const double line = base.value * p.signal_adu;
      const double error = std::hypot(p.error_adu2, base.error * p.signal_adu);
      if (line - p.variance_adu2 > std::max(bent_share * line, bent_sigma * error)) {
        p.use = PointUse::bent;
        changed = true;
      }
    }
    if (!changed) return;
  }
}

void add_details(std::span<const TransferPoint> points, int site, const Slope& slope,
                 TransferFit& fit) {
  Weighted neighbours;
  double error = 0.0;
  fit.lowest_adu = 1e300;
  for (const auto& p : points) {
    if (!counts(p, site) || p.use != PointUse::fitted) continue;
    fit.lowest_adu = std::min(fit.lowest_adu, p.signal_adu);
    fit.highest_adu = std::max(fit.highest_adu, p.signal_adu);
    const double line = slope.value * p.signal_adu;
    fit.largest_departure = std::max(fit.largest_departure, std::abs(p.variance_adu2 / line - 1.0));
    neighbours.add(p.neighbours, p.pixels);
    error += p.neighbours_error * p.neighbours_error * p.pixels * p.pixels;
  }
  fit.correlation_excess = neighbours.mean();
  fit.correlation_error = std::sqrt(error) / std::max(neighbours.weight, 1.0);
}

}  // namespace

std::vector<DarkNoise> dark_noise(std::span<const PairBlocks> pairs) {
  std::vector<DarkNoise> result;
  if (pairs.empty()) return result;
  const auto sites = static_cast<std::size_t>(pairs.front().sites);
  for (std::size_t site = 0; site < sites; ++site) {
    Weighted variance, level, fixed, rows;
    for (const auto& pair : pairs) {
      for (const auto& block : pair.blocks) {
        if (static_cast<std::size_t>(block.site) != site || !block.usable) continue;
        variance.add(block.variance, block.pixels);
        level.add(block.level(), block.pixels);
        fixed.add(block.fixed_variance, block.fixed_pixels);
        rows.add(block.along_rows, block.pixels);
      }
    }
    if (!(variance.weight > 0.0)) return {};
    DarkNoise noise;
    noise.variance_adu2 = variance.mean();
    noise.error_adu2 = noise.variance_adu2 * std::sqrt(2.0 / variance.weight);
    noise.level_adu = level.mean();
    noise.fixed_variance_adu2 = fixed.mean();
    noise.correlation_rows = variance.mean() > 0.0 ? rows.mean() / variance.mean() : 0.0;
    result.push_back(noise);
  }
  return result;
}

std::vector<TransferPoint> transfer_points(const PairBlocks& flat, std::span<const DarkNoise> dark,
                                           int index) {
  std::vector<TransferPoint> points;
  for (int site = 0; site < flat.sites; ++site) {
    if (static_cast<std::size_t>(site) >= dark.size()) break;
    std::vector<const PairBlock*> blocks;
    double pixels = 0.0;
    for (const auto& block : flat.blocks) {
      if (block.site != site || !block.usable) continue;
      blocks.push_back(&block);
      pixels += block.pixels;
    }
    if (blocks.empty()) continue;
    std::stable_sort(blocks.begin(), blocks.end(), [](const PairBlock* p, const PairBlock* q) {
      return p->signal() < q->signal();
    });
    const double span = blocks.back()->signal() - blocks.front()->signal();
    std::size_t parts = 1;
    if (span > narrow_span * std::abs(blocks.back()->signal())) {
      parts = std::clamp(static_cast<std::size_t>(pixels / least_pixels_of_point), std::size_t{1},
                         points_per_pair);
      parts = std::min(parts, blocks.size());
    }
    for (std::size_t k = 0; k < parts; ++k) {
      const auto first = k * blocks.size() / parts;
      const auto last = (k + 1) * blocks.size() / parts;
      auto point = point_of(std::span(blocks).subspan(first, last - first),
                            dark[static_cast<std::size_t>(site)]);
      point.pair = index;
      point.site = site;
      points.push_back(point);
    }
  }
  return points;
}

TransferFit fit_transfer(std::span<TransferPoint> points, double highest_adu, int site) {
  TransferFit fit;
  mark_by_level(points, highest_adu, site);
  leave_out_bent(points, site);
  const Slope slope = slope_of(points, site);
  if (slope.points == 0) {
    fit.note = "no part of the flats can be used";
    return fit;
  }
  if (!(slope.value > 5.0 * slope.error)) {
    fit.note = "the flats show no photon noise above the dark frames'";
    return fit;
  }
  fit.usable = true;
  fit.points = slope.points;
  fit.gain_e_per_adu = 1.0 / slope.value;
  double error = slope.error;
  if (slope.points > 1) {
    const double freedom = slope.points - 1;
    fit.chi2_per_freedom = slope.chi2 / freedom;
    // Points that scatter more than their errors make the line's error larger too.
    if (fit.chi2_per_freedom > 1.0 + 3.0 * std::sqrt(2.0 / freedom)) {
      error *= std::sqrt(fit.chi2_per_freedom);
    }
  }
  fit.gain_error = fit.gain_e_per_adu * error / slope.value;
  add_details(points, site, slope, fit);
  return fit;
}

ReadNoise read_noise(std::span<const DarkNoise> dark, double code_step, const TransferFit& fit,
                     int site) {
  ReadNoise result;
  Weighted variance;
  double error2 = 0.0;
  for (std::size_t s = 0; s < dark.size(); ++s) {
    if (site >= 0 && static_cast<std::size_t>(site) != s) continue;
    variance.add(dark[s].variance_adu2, 1.0);
    error2 += dark[s].error_adu2 * dark[s].error_adu2;
  }
  if (!(variance.weight > 0.0)) return result;
  const double gain = fit.usable ? fit.gain_e_per_adu : 0.0;
  const double step2 = code_step * code_step;
  if (variance.mean() < least_dark_variance * step2) {
    result.is_bound = true;
    result.adu = code_step * std::sqrt(least_dark_variance - rounding_variance);
    result.electrons = gain * result.adu;
    return result;
  }
  const double own = variance.mean() - rounding_variance * step2;
  // First harmonic of the variance of a rounded Gaussian: where the level lies between two codes
  // matters below 0.6 steps (Widrow & Kollar 2008, Quantization Noise).
  constexpr double pi2 = 9.869604401089358;
  const double s2 = step2 > 0.0 ? own / step2 : 0.0;
  const double phase =
      step2 > 0.0 ? step2 * std::exp(-2.0 * pi2 * s2) * (4.0 * s2 + 1.0 / pi2) : 0.0;
  const double error = std::hypot(std::sqrt(error2) / variance.weight, phase);
  result.adu = std::sqrt(own);
  result.error_adu = 0.5 * error / result.adu;
  result.electrons = gain * result.adu;
  if (fit.usable) {
    result.error_e = result.electrons *
                     std::hypot(result.error_adu / result.adu, fit.gain_error / fit.gain_e_per_adu);
  }
  return result;
}

FixedPattern fixed_pattern(std::span<const TransferPoint> points, std::span<const DarkNoise> dark,
                           double half_adu) {
  FixedPattern result;
  Weighted dark_pattern;
  for (const auto& noise : dark) dark_pattern.add(noise.fixed_variance_adu2, 1.0);
  result.dsnu_adu = std::sqrt(std::max(dark_pattern.mean(), 0.0));
  // The pair nearest half of the range, as EMVA 1288 has it; all its points and sites.
  int best = -1;
  double nearest = 1e300;
  for (const auto& p : points) {
    if (p.use == PointUse::bent || !(p.signal_adu > 0.0)) continue;
    const double distance = std::abs(p.signal_adu - half_adu);
    if (distance < nearest) {
      nearest = distance;
      best = p.pair;
    }
  }
  Weighted share, signal;
  for (const auto& p : points) {
    if (p.pair != best || p.use == PointUse::bent || !(p.signal_adu > 0.0)) continue;
    share.add(p.fixed_variance_adu2 / (p.signal_adu * p.signal_adu), p.pixels);
    signal.add(p.signal_adu, p.pixels);
  }
  if (share.weight > 0.0) {
    result.prnu = std::sqrt(std::max(share.mean(), 0.0));
    result.prnu_signal_adu = signal.mean();
  }
  return result;
}

}  // namespace coldframe::sensor
