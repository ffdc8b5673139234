#include "sensor/frame_samples.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/statistics.hpp"
#include "sensor/pair_noise.hpp"
#include "sensor/robust_mean.hpp"

namespace coldframe::sensor {
namespace {

/// Rows of a strip: at least 8, more where frames are small, so that about 2 * 10^5 pixels tell of
/// noise.
int strip_rows(Size size) {
  const int wanted = 200000 / shape_cells / std::max(size.width, 1);
  return std::min(std::clamp(wanted, 8, std::max(size.height / shape_cells, 8)), size.height);
}

/// First rows of the strips, even so that colours agree.
std::vector<Rect> strip_rects(Size size) {
  std::vector<Rect> rects;
  const int rows = strip_rows(size);
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
        if (std::isfinite(u) && std::isfinite(v)) samples.push_back({u, v});
      }
    }
  }
  return samples;
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
  result.pairs.resize(pairs);
  parallel_for(threads, pairs, [&](std::size_t p) {
    const Strips a = load(2 * p);
    const Strips b = load(2 * p + 1);
    const double level_a = result.levels[2 * p].level;
    const double level_b = result.levels[2 * p + 1].level;
    const auto scale = [&](double level) {
      return relative ? static_cast<float>(1.0 / level) : 1.0F;
    };
    const auto samples = pair_samples(a, b, scale(level_a), scale(level_b));
    result.pairs[p] =
        relative ? flat_pair_noise(samples, level_a, level_b) : dark_pair_noise(samples);
    result.pairs[p].first = 2 * p;
    result.pairs[p].second = 2 * p + 1;
  });
  if (frames.size() % 2 == 1) (void)load(frames.size() - 1);
  return result;
}

}  // namespace coldframe::sensor
