#include "sensor/frame_samples.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/statistics.hpp"
#include "sensor/robust_mean.hpp"

namespace coldframe::sensor {
namespace {

constexpr int strip_rows = 8;

/// First rows of the strips, even so that colours agree.
std::vector<Rect> strip_rects(Size size) {
  std::vector<Rect> rects;
  const int rows = std::min(strip_rows, size.height);
  for (int k = 0; k < shape_cells; ++k) {
    const auto centre = (2 * std::int64_t{k} + 1) * size.height / (2 * shape_cells);
    const int y0 = std::clamp(static_cast<int>(centre) - rows / 2, 0, size.height - rows) & ~1;
    rects.push_back({0, y0, size.width, y0 + rows});
  }
  return rects;
}

using Strips = std::vector<Grid<float>>;

Strips read_strips(const PixelSource& frame, const std::vector<Rect>& rects) {
  Strips strips;
  strips.reserve(rects.size());
  for (const Rect& rect : rects) {
    strips.emplace_back(rect.size());
    frame.fill(0, rect, strips.back().view());
  }
  return strips;
}

/// Saturated pixels become NaN (so nothing counts them), the rest loses its dark. Returns the
/// share.
double prepare(Strips& strips, const Strips& subtract, double saturation_adu) {
  const auto limit = static_cast<float>(saturation_adu);
  std::size_t saturated = 0;
  std::size_t all = 0;
  for (std::size_t k = 0; k < strips.size(); ++k) {
    for (int y = 0; y < strips[k].height(); ++y) {
      const auto row = strips[k].row(y);
      for (std::size_t x = 0; x < row.size(); ++x) {
        if (row[x] >= limit) {
          row[x] = std::numeric_limits<float>::quiet_NaN();
          ++saturated;
        } else if (!subtract.empty()) {
          row[x] -= subtract[k].row(y)[x];
        }
      }
      all += row.size();
    }
  }
  return all > 0 ? static_cast<double>(saturated) / static_cast<double>(all) : 0.0;
}

FrameLevel describe(const Strips& strips, double saturated_share, bool central) {
  FrameLevel result;
  result.saturated_share = saturated_share;
  double sum = 0.0;
  int used = 0;
  for (int k = 0; k < shape_cells; ++k) {
    const auto& strip = strips[static_cast<std::size_t>(k)];
    for (int j = 0; j < shape_cells; ++j) {
      const int x0 = (strip.width() * j / shape_cells) & ~1;
      const int x1 =
          std::max(strip.width() * (j + 1) / shape_cells, std::min(x0 + 1, strip.width()));
      const Rect cell{x0, 0, x1, strip.height()};
      const double mean = cell.empty() ? std::numeric_limits<double>::quiet_NaN()
                                       : cell_mean(strip.view().crop(cell));
      result.shape[static_cast<std::size_t>(k * shape_cells + j)] = mean;
      const bool inside = k >= 2 && k < 6 && j >= 2 && j < 6;
      if ((central && !inside) || !std::isfinite(mean)) continue;
      sum += mean;
      ++used;
    }
  }
  result.level = used > 0 ? sum / used : std::numeric_limits<double>::quiet_NaN();
  return result;
}

struct PairSample {
  float level;
  float difference;
};

std::vector<PairSample> pair_samples(const Strips& a, const Strips& b, float scale_a,
                                     float scale_b) {
  std::vector<PairSample> samples;
  for (std::size_t k = 0; k < a.size(); ++k) {
    for (int y = 0; y < a[k].height(); ++y) {
      const auto first = a[k].row(y);
      const auto second = b[k].row(y);
      for (std::size_t x = 0; x < first.size(); ++x) {
        const float u = first[x] * scale_a;
        const float v = second[x] * scale_b;
        if (std::isfinite(u) && std::isfinite(v)) samples.push_back({0.5F * (u + v), u - v});
      }
    }
  }
  return samples;
}

/// Shares of the sorted levels at which bins begin: fine at the bright end, where a dark's few hot
/// pixels tell how noise grows with signal.
constexpr std::array<double, 8> dark_edges{0.0, 0.5, 0.9, 0.99, 0.997, 0.999, 0.9997, 1.0};
constexpr std::array<double, 8> flat_edges{0.0, 0.1, 0.25, 0.4, 0.55, 0.75, 0.9, 1.0};

std::vector<VarianceBin> bin_pair(std::vector<PairSample> samples, const FrameLevel& a,
                                  const FrameLevel& b, bool relative) {
  std::vector<VarianceBin> bins;
  if (samples.empty()) return bins;
  std::sort(samples.begin(), samples.end(), [](const PairSample& p, const PairSample& q) {
    return p.level != q.level ? p.level < q.level : p.difference < q.difference;
  });
  const double la = relative ? a.level : 1.0;
  const double lb = relative ? b.level : 1.0;
  const double pedestal = relative ? 0.0 : static_cast<double>(samples[samples.size() / 2].level);
  std::vector<float> differences;
  for (std::size_t e = 0; e + 1 < dark_edges.size(); ++e) {
    const auto& edges = relative ? flat_edges : dark_edges;
    const auto size = static_cast<double>(samples.size());
    const auto first = static_cast<std::size_t>(edges[e] * size);
    const auto last = static_cast<std::size_t>(edges[e + 1] * size);
    if (last < first + 20) continue;
    differences.clear();
    double level = 0.0;
    for (std::size_t i = first; i < last; ++i) {
      differences.push_back(samples[i].difference);
      level += static_cast<double>(samples[i].level);
    }
    const double signal = std::max(level / static_cast<double>(last - first) - pedestal, 0.0);
    const RobustMoments moments = robust_moments_in_place(differences);
    bins.push_back({moments.variance, 1.0 / (la * la) + 1.0 / (lb * lb),
                    signal * (1.0 / la + 1.0 / lb), static_cast<double>(moments.count), 0, 0});
  }
  return bins;
}

double row_noise(const Strips& strips) {
  std::vector<double> rows;
  for (const auto& strip : strips) {
    for (int y = 0; y < strip.height(); ++y) {
      const double noise = noise_from_differences(strip.row(y));
      if (std::isfinite(noise)) rows.push_back(noise);
    }
  }
  return rows.empty() ? 0.0 : median_in_place(std::span<double>(rows));
}

struct Sums {
  double s11 = 0.0, s12 = 0.0, s22 = 0.0, t1 = 0.0, t2 = 0.0;
};

Sums normal_equations(std::span<const VarianceBin> bins, const NoiseModel& now) {
  Sums sums;
  for (const VarianceBin& bin : bins) {
    const double expected = std::max(now.a * bin.x1 + now.b * bin.x2, 1e-6 * bin.variance);
    if (!(expected > 0.0)) continue;
    // Variance of a variance estimate of n Gaussian differences: 2 var^2 / n.
    const double weight = bin.pixels / (2.0 * expected * expected);
    sums.s11 += weight * bin.x1 * bin.x1;
    sums.s12 += weight * bin.x1 * bin.x2;
    sums.s22 += weight * bin.x2 * bin.x2;
    sums.t1 += weight * bin.x1 * bin.variance;
    sums.t2 += weight * bin.x2 * bin.variance;
  }
  return sums;
}

NoiseModel solve(const Sums& sums, bool photon_limited) {
  const NoiseModel only_a{sums.s11 > 0.0 ? sums.t1 / sums.s11 : 0.0, 0.0};
  const NoiseModel only_b{0.0, sums.s22 > 0.0 ? sums.t2 / sums.s22 : 0.0};
  const double determinant = sums.s11 * sums.s22 - sums.s12 * sums.s12;
  if (!(determinant > 1e-9 * sums.s11 * sums.s22)) return photon_limited ? only_b : only_a;
  const NoiseModel both{(sums.t1 * sums.s22 - sums.t2 * sums.s12) / determinant,
                        (sums.t2 * sums.s11 - sums.t1 * sums.s12) / determinant};
  if (both.a < 0.0) return only_b;
  const double error_b = std::sqrt(sums.s11 / determinant);
  if (both.b < (photon_limited ? 0.0 : 2.0 * error_b)) return only_a;
  return both;
}

}  // namespace

double cell_mean(PlaneView<const float> values) {
  double sum = 0.0;
  int classes = 0;
  std::vector<float> one;
  for (int parity = 0; parity < 4; ++parity) {
    one.clear();
    for (int y = parity / 2; y < values.height(); y += 2) {
      const auto row = values.row(y);
      for (std::size_t x = static_cast<std::size_t>(parity % 2); x < row.size(); x += 2) {
        if (std::isfinite(row[x])) one.push_back(row[x]);
      }
    }
    if (one.empty()) continue;
    sum += robust_moments_in_place(one).mean;
    ++classes;
  }
  return classes > 0 ? sum / classes : std::numeric_limits<double>::quiet_NaN();
}

FrameSamples sample_frames(std::span<const PixelSource* const> frames, const PixelSource* subtract,
                           double saturation_adu, bool relative, Threads threads) {
  FrameSamples result;
  result.levels.resize(frames.size());
  const auto rects = strip_rects(frames.front()->size());
  const Strips dark = subtract != nullptr ? read_strips(*subtract, rects) : Strips{};
  const auto load = [&](std::size_t i) {
    Strips strips = read_strips(*frames[i], rects);
    const double share = prepare(strips, dark, saturation_adu);
    result.levels[i] = describe(strips, share, relative);
    return strips;
  };
  if (frames.size() == 1) {
    result.spatial_noise = row_noise(load(0));
    return result;
  }
  // An odd last frame gives its level only.
  const std::size_t pairs = frames.size() / 2;
  std::vector<std::vector<VarianceBin>> bins(pairs);
  parallel_for(threads, pairs, [&](std::size_t p) {
    const Strips a = load(2 * p);
    const Strips b = load(2 * p + 1);
    const FrameLevel& level_a = result.levels[2 * p];
    const FrameLevel& level_b = result.levels[2 * p + 1];
    const auto scale = [&](const FrameLevel& f) {
      return relative ? static_cast<float>(1.0 / f.level) : 1.0F;
    };
    bins[p] =
        bin_pair(pair_samples(a, b, scale(level_a), scale(level_b)), level_a, level_b, relative);
    for (VarianceBin& bin : bins[p]) {
      bin.first = 2 * p;
      bin.second = 2 * p + 1;
    }
  });
  if (frames.size() % 2 == 1) (void)load(frames.size() - 1);
  for (const auto& part : bins) result.bins.insert(result.bins.end(), part.begin(), part.end());
  return result;
}

NoiseModel fit_noise(std::span<const VarianceBin> bins, bool photon_limited) {
  if (bins.empty()) return {};
  // Start from relative weights (each bin's own variance), then iterate on the model's.
  NoiseModel model{};
  for (int pass = 0; pass < 4; ++pass) {
    Sums sums;
    if (pass == 0) {
      for (const VarianceBin& bin : bins) {
        const VarianceBin one[] = {bin};
        const double x = photon_limited ? bin.x2 : bin.x1;
        const NoiseModel own = photon_limited ? NoiseModel{0.0, bin.variance / std::max(x, 1e-30)}
                                              : NoiseModel{bin.variance / std::max(x, 1e-30), 0.0};
        const Sums part = normal_equations(one, own);
        sums.s11 += part.s11;
        sums.s12 += part.s12;
        sums.s22 += part.s22;
        sums.t1 += part.t1;
        sums.t2 += part.t2;
      }
    } else {
      sums = normal_equations(bins, model);
    }
    model = solve(sums, photon_limited);
  }
  return model;
}

}  // namespace coldframe::sensor
