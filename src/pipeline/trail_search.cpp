#include "coldframe/pipeline/trail_search.hpp"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <optional>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline {
namespace {

constexpr std::size_t most_in_model = 15;  // previews in the median: enough for any outlier
constexpr float star_limit = 4.0F;         // model pixels brighter than this (in noise units) are stars
constexpr int star_margin = 2;

// A preview on the canvas' preview grid. Bilinear: trails are broad on this scale.
struct Registered {
  Grid<float> values;
  Mask mask;
};

struct PreviewGrid {
  Size size;
  int bin = 1;
  [[nodiscard]] Point to_canvas(double i, double j) const noexcept {
    return {(i + 0.5) * bin - 0.5, (j + 0.5) * bin - 0.5};
  }
};

Registered register_preview(const SubMeasurement& sub, const Transform& transform,
                            const PreviewGrid& grid) {
  Registered out{Grid<float>(grid.size), Mask(grid.size)};
  const double bin = sub.preview_bin;
  for (int j = 0; j < grid.size.height; ++j) {
    for (int i = 0; i < grid.size.width; ++i) {
      const Point at = transform.unapply(grid.to_canvas(i, j));
      const double u = (at.x + 0.5) / bin - 0.5;
      const double v = (at.y + 0.5) / bin - 0.5;
      const int x = static_cast<int>(std::floor(u));
      const int y = static_cast<int>(std::floor(v));
      if (x < 0 || y < 0 || x + 1 >= sub.preview.width() || y + 1 >= sub.preview.height() ||
          (sub.preview_mask(x, y) | sub.preview_mask(x + 1, y) | sub.preview_mask(x, y + 1) |
           sub.preview_mask(x + 1, y + 1)) != 0) {
        out.mask(i, j) = mask_bit::outside;
        continue;
      }
      const auto fx = static_cast<float>(u - x);
      const auto fy = static_cast<float>(v - y);
      const float lower = sub.preview(x, y) * (1 - fx) + sub.preview(x + 1, y) * fx;
      const float upper = sub.preview(x, y + 1) * (1 - fx) + sub.preview(x + 1, y + 1) * fx;
      out.values(i, j) = lower * (1 - fy) + upper * fy;
    }
  }
  return out;
}

std::vector<std::size_t> spread_choice(std::size_t count) {
  std::vector<std::size_t> chosen;
  const std::size_t wanted = std::min(count, most_in_model);
  for (std::size_t k = 0; k < wanted; ++k) chosen.push_back(k * count / wanted);
  return chosen;
}

// Median of some previews: what does not move with a satellite.
Registered median_model(std::span<const Registered> previews, Size size, Threads threads) {
  Registered model{Grid<float>(size), Mask(size)};
  parallel_bands(threads, size.height, 16, [&](int y0, int y1) {
    std::vector<float> sample;
    for (int j = y0; j < y1; ++j) {
      for (int i = 0; i < size.width; ++i) {
        sample.clear();
        for (const auto& preview : previews) {
          if (preview.mask(i, j) == 0) sample.push_back(preview.values(i, j));
        }
        if (sample.size() < 3) {
          model.mask(i, j) = mask_bit::outside;
        } else {
          model.values(i, j) = median_in_place(std::span<float>(sample));
        }
      }
    }
  });
  return model;
}

// Stars leave residuals when the seeing changes: they do not take part.
Mask star_mask(const Registered& model) {
  Mask mask(model.values.size());
  for (int j = 0; j < mask.height(); ++j) {
    for (int i = 0; i < mask.width(); ++i) {
      if (model.mask(i, j) != 0) mask(i, j) |= mask_bit::outside;
      if (!(model.values(i, j) > star_limit)) continue;
      const Rect around = Rect{i - star_margin, j - star_margin, i + star_margin + 1,
                               j + star_margin + 1}.intersect(whole(mask.size()));
      for (int y = around.y0; y < around.y1; ++y) {
        for (int x = around.x0; x < around.x1; ++x) mask(x, y) |= mask_bit::saturated;
      }
    }
  }
  return mask;
}

// Neighbouring residuals go together where the model interpolates, the seeing changes
// or the field is crowded: sums along short pieces then scatter more than white noise would.
double correlation_of(const Registered& residual, double noise) {
  constexpr int length = 12;
  const Size size = residual.values.size();
  std::vector<double> sums[2];
  for (int turned = 0; turned < 2; ++turned) {
    const int lines = turned != 0 ? size.width : size.height;
    const int along = turned != 0 ? size.height : size.width;
    for (int line = 0; line < lines; line += 2) {
      for (int start = 0; start + length <= along; start += length) {
        double sum = 0.0;
        int good = 0;
        for (int k = start; k < start + length; ++k) {
          const int x = turned != 0 ? line : k;
          const int y = turned != 0 ? k : line;
          if (residual.mask(x, y) != 0) continue;
          sum += static_cast<double>(residual.values(x, y));
          ++good;
        }
        if (good >= length / 2) sums[turned].push_back(sum / (noise * std::sqrt(good)));
      }
    }
  }
  double factor = 1.0;
  for (const auto& values : sums) {
    if (values.size() > 50) factor = std::max(factor, robust_sigma(values));
  }
  return factor;
}

// Residual of one preview in units of its own noise; smooth leftovers of the
// sky (cloud, moonlight) are taken out with a coarse running level.
void make_residual(Registered& sub, const Registered& model, const Mask& stars) {
  std::vector<double> sample;
  const auto size = sub.values.size();
  for (int j = 0; j < size.height; ++j) {
    for (int i = 0; i < size.width; ++i) {
      sub.mask(i, j) |= stars(i, j);
      sub.values(i, j) -= model.values(i, j);
    }
  }
  constexpr int cell = 40;
  for (int y0 = 0; y0 < size.height; y0 += cell) {
    for (int x0 = 0; x0 < size.width; x0 += cell) {
      const Rect part = Rect{x0, y0, x0 + cell, y0 + cell}.intersect(whole(size));
      std::vector<float> level;
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0; x < part.x1; ++x) {
          if (sub.mask(x, y) == 0) level.push_back(sub.values(x, y));
        }
      }
      if (level.empty()) continue;
      const float middle = median_in_place(std::span<float>(level));
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0; x < part.x1; ++x) {
          sub.values(x, y) -= middle;
          if (sub.mask(x, y) == 0) sample.push_back(static_cast<double>(sub.values(x, y)));
        }
      }
    }
  }
  const double noise = sample.size() > 100 ? robust_sigma(sample) : 0.0;
  const auto factor =
      noise > 0.0 ? static_cast<float>(1.0 / (noise * correlation_of(sub, noise))) : 0.0F;
  for (int j = 0; j < size.height; ++j) {
    for (float& value : sub.values.row(j)) value *= factor;
  }
}

// What a detector or a crowded field can feign is no trail: lines along the sub's own rows and
// columns (bad columns, read-out), short and broad ones (halos, cluster cores), faint ones
// when the model of the sky comes from a handful of subs.
bool plausible(const stack::Trail& trail, const Transform& transform, Size canvas,
               std::size_t subs) {
  const Point a = transform.unapply({trail.x1, trail.y1});
  const Point b = transform.unapply({trail.x2, trail.y2});
  const double dx = std::fabs(b.x - a.x);
  const double dy = std::fabs(b.y - a.y);
  const double length = std::hypot(dx, dy);
  if (trail.width_px > 0.1 * length) return false;
  constexpr double few_limit = 12.0;
  constexpr std::size_t few = 6;
  double least = subs < few ? few_limit : 0.0;
  constexpr double axis_slope = 0.01;  // half a degree
  if (std::min(dx, dy) < axis_slope * length) least = std::max(least, 25.0);
  if (length < 0.25 * std::min(canvas.width, canvas.height)) least = std::max(least, 15.0);
  return trail.significance >= least;
}

// Sum of the residual over a strip beside the line, in units of what white noise would give; unset where
// too little of it can be seen.
std::optional<double> strip_sum(const Registered& residual, const stack::Trail& line, double offset,
                                int half_width, double least_good) {
  const double dx = line.x2 - line.x1;
  const double dy = line.y2 - line.y1;
  const double length = std::hypot(dx, dy);
  const Size size = residual.values.size();
  double sum = 0.0;
  double good = 0.0;
  for (int k = 0; k <= static_cast<int>(length); ++k) {
    for (int w = -half_width; w <= half_width; ++w) {
      const double across = offset + w;
      const int x = static_cast<int>(std::lround(line.x1 + (dx * k - dy * across) / length));
      const int y = static_cast<int>(std::lround(line.y1 + (dy * k + dx * across) / length));
      if (x < 0 || y < 0 || x >= size.width || y >= size.height || residual.mask(x, y) != 0) continue;
      // A single bright pixel, a residue of a star or a cosmic ray, does not make a line.
      sum += std::clamp(static_cast<double>(residual.values(x, y)), -3.5, 3.5);
      good += 1.0;
    }
  }
  return good > least_good ? std::optional(sum / std::sqrt(good)) : std::nullopt;
}

// A trail stands out of the lines parallel to it by far more than these scatter: that scatter holds
// whatever the sky, the flat or a crowded field leave in the residual, white or not.
bool stands_out(const Registered& residual, const stack::Trail& line) {
  constexpr int strips = 25;  // on either side
  constexpr double broad_px = 12.0;  // beyond it a sky that was not taken out well looks alike
  const double least = line.width_px > broad_px ? 10.0 : 6.0;
  const double length = std::hypot(line.x2 - line.x1, line.y2 - line.y1);
  const int half_width = line.width_px > 8.0 ? 2 : 1;
  const double spacing = 2.0 * half_width + 1.0;
  const auto own = strip_sum(residual, line, 0.0, half_width, 0.0);
  if (!own) return false;
  std::vector<double> beside;
  for (int k = 0; k < strips; ++k) {
    const double offset = 0.5 * line.width_px + spacing * (k + 1);
    for (const double side : {-1.0, 1.0}) {
      const auto sum = strip_sum(residual, line, side * offset, half_width, 0.3 * length * spacing);
      if (sum) beside.push_back(*sum);
    }
  }
  constexpr std::size_t enough = 8;
  if (beside.size() < enough) return true;
  return *own - median(beside) > least * std::max(robust_sigma(beside), 0.5);
}

stack::Trail to_canvas(const stack::Trail& found, const PreviewGrid& grid) noexcept {
  stack::Trail trail = found;
  const Point a = grid.to_canvas(found.x1, found.y1);
  const Point b = grid.to_canvas(found.x2, found.y2);
  trail.x1 = a.x;
  trail.y1 = a.y;
  trail.x2 = b.x;
  trail.y2 = b.y;
  trail.width_px = found.width_px * grid.bin;
  return trail;
}

}  // namespace

std::vector<std::vector<stack::Trail>> search_trails(std::span<const PreviewSub> subs, Size canvas,
                                                     const stack::TrailOptions& options,
                                                     Threads threads, const Watch& watch) {
  std::vector<std::vector<stack::Trail>> trails(subs.size());
  if (subs.size() < 3) return trails;
  PreviewGrid grid;
  grid.bin = subs.front().load().preview_bin;
  grid.size = {canvas.width / grid.bin, canvas.height / grid.bin};
  if (grid.size.width < 16 || grid.size.height < 16) return trails;
  const auto chosen = spread_choice(subs.size());
  std::vector<Registered> previews(chosen.size());
  parallel_for(threads, chosen.size(), [&](std::size_t k) {
    const auto& sub = subs[chosen[k]];
    previews[k] = register_preview(sub.load(), sub.transform, grid);
  });
  const Registered model = median_model(previews, grid.size, threads);
  previews.clear();
  const Mask stars = star_mask(model);
  std::atomic<std::size_t> done{0};
  parallel_for(threads, subs.size(), [&](std::size_t i) {
    watch.check();
    Registered residual = register_preview(subs[i].load(), subs[i].transform, grid);
    make_residual(residual, model, stars);
    for (const auto& found :
         stack::find_trails(residual.values.cview(), residual.mask.cview(), options)) {
      const auto trail = to_canvas(found, grid);
      const bool sound = plausible(trail, subs[i].transform, canvas, subs.size());
      if (sound && stands_out(residual, found)) trails[i].push_back(trail);
    }
    watch.report("trails", done.fetch_add(1) + 1, subs.size());
  });
  return trails;
}

}  // namespace coldframe::pipeline
