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
constexpr float star_limit = 4.0F;  // model pixels brighter than this (in noise units) are stars
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
      const Rect around =
          Rect{i - star_margin, j - star_margin, i + star_margin + 1, j + star_margin + 1}
              .intersect(whole(mask.size()));
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

// Medians of coarse cells; those with too little to see take the mean of their neighbours.
Grid<float> cell_levels(const Registered& sub, int cell) {
  const Size size = sub.values.size();
  Grid<float> levels((size.width + cell - 1) / cell, (size.height + cell - 1) / cell);
  std::vector<Point> empty;
  std::vector<float> sample;
  for (int j = 0; j < levels.height(); ++j) {
    for (int i = 0; i < levels.width(); ++i) {
      const Rect part =
          Rect{i * cell, j * cell, (i + 1) * cell, (j + 1) * cell}.intersect(whole(size));
      sample.clear();
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0; x < part.x1; ++x) {
          if (sub.mask(x, y) == 0) sample.push_back(sub.values(x, y));
        }
      }
      constexpr std::size_t enough = 50;
      if (sample.size() < enough) empty.push_back({static_cast<double>(i), static_cast<double>(j)});
      levels(i, j) =
          sample.size() < enough ? std::nanf("") : median_in_place(std::span<float>(sample));
    }
  }
  Grid<float> filled = levels.clone();
  for (const Point& at : empty) {
    float sum = 0.0F;
    float count = 0.0F;
    const auto i = static_cast<int>(at.x);
    const auto j = static_cast<int>(at.y);
    const Rect around = Rect{i - 1, j - 1, i + 2, j + 2}.intersect(whole(levels.size()));
    for (int y = around.y0; y < around.y1; ++y) {
      for (int x = around.x0; x < around.x1; ++x) {
        if (!std::isfinite(levels(x, y))) continue;
        sum += levels(x, y);
        count += 1.0F;
      }
    }
    filled(i, j) = count > 0.0F ? sum / count : 0.0F;
  }
  return filled;
}

// Bilinear between the cells' middles and straight on to the border: a level per cell would leave
// saw-teeth on a slope, which line up along the cells.
void subtract_smooth_level(Registered& sub) {
  constexpr int cell = 40;
  const Grid<float> levels = cell_levels(sub, cell);
  const Size size = sub.values.size();
  const auto place = [](int pixel, int pixels, int cells) {
    // A last, narrow cell has its middle elsewhere: it is met from the one before.
    const int whole_cells = std::max(pixels / cell, 1);
    const double at = (pixel + 0.5) / cell - 0.5;
    const int first = std::clamp(static_cast<int>(std::floor(at)), 0, std::max(whole_cells - 2, 0));
    return std::pair{first, cells > 1 && whole_cells > 1 ? at - first : 0.0};
  };
  for (int j = 0; j < size.height; ++j) {
    const auto [row, v] = place(j, size.height, levels.height());
    const int above = std::min(row + 1, levels.height() - 1);
    for (int i = 0; i < size.width; ++i) {
      const auto [column, u] = place(i, size.width, levels.width());
      const int right = std::min(column + 1, levels.width() - 1);
      const double low = levels(column, row) * (1.0 - u) + levels(right, row) * u;
      const double high = levels(column, above) * (1.0 - u) + levels(right, above) * u;
      sub.values(i, j) -= static_cast<float>(low * (1.0 - v) + high * v);
    }
  }
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
  subtract_smooth_level(sub);
  for (int j = 0; j < size.height; ++j) {
    for (int i = 0; i < size.width; ++i) {
      if (sub.mask(i, j) == 0) sample.push_back(static_cast<double>(sub.values(i, j)));
    }
  }
  const double noise = sample.size() > 100 ? robust_sigma(sample) : 0.0;
  const auto factor =
      noise > 0.0 ? static_cast<float>(1.0 / (noise * correlation_of(sub, noise))) : 0.0F;
  for (int j = 0; j < size.height; ++j) {
    for (float& value : sub.values.row(j)) value *= factor;
  }
}

// Where dithered subs end, the model is made of fewer and changing ones: a step along the border.
bool hugs_border(const stack::Trail& trail, Size canvas) {
  const double band = 0.05 * std::min(canvas.width, canvas.height);
  const auto both = [&](double a, double b, double size) {
    return std::max(a, b) < band || std::min(a, b) > size - band;
  };
  constexpr double bright = 100.0;  // a real one that matters
  return trail.significance < bright &&
         (both(trail.x1, trail.x2, canvas.width) || both(trail.y1, trail.y2, canvas.height));
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
  if (hugs_border(trail, canvas)) return false;
  constexpr double few_limit = 12.0;
  constexpr std::size_t few = 6;
  double least = subs < few ? few_limit : 0.0;
  constexpr double axis_slope = 0.01;  // half a degree
  if (std::min(dx, dy) < axis_slope * length) least = std::max(least, 25.0);
  if (length < 0.25 * std::min(canvas.width, canvas.height)) least = std::max(least, 15.0);
  return trail.significance >= least;
}

struct Strip {
  double mean = 0.0;
  double error = 0.0;  ///< of the mean, if the residual were white
};

// The residual over a strip beside the line; unset where too little of it can be seen.
std::optional<Strip> measure_strip(const Registered& residual, const stack::Trail& line,
                                   double offset, int half_width) {
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
      if (x < 0 || y < 0 || x >= size.width || y >= size.height || residual.mask(x, y) != 0)
        continue;
      // A single bright pixel, a residue of a star or a cosmic ray, does not make a line.
      sum += std::clamp(static_cast<double>(residual.values(x, y)), -3.5, 3.5);
      good += 1.0;
    }
  }
  const bool seen = good > 0.3 * length * (2.0 * half_width + 1.0);
  return seen ? std::optional(Strip{sum / good, 1.0 / std::sqrt(good)}) : std::nullopt;
}

// A trail stands out of the lines parallel to it, each against those to its left and right, by far
// more than these scatter: that scatter holds whatever the sky, the flat or a crowded field leave
// in the residual, white or not.
bool stands_out(const Registered& residual, const stack::Trail& line) {
  constexpr int strips = 20;  // on either side
  constexpr double broad_px = 12.0;
  // Broad ones are what a sky that was not taken out well looks like.
  const bool broad = line.width_px > broad_px;
  const int half_width = line.width_px > 8.0 ? 2 : 1;
  const double spacing = 2.0 * half_width + 1.0;
  const int gap = static_cast<int>(std::ceil(0.5 * line.width_px / spacing)) + 1;
  std::vector<std::optional<Strip>> means;
  for (int k = -strips; k <= strips; ++k) {
    means.push_back(measure_strip(residual, line, spacing * k, half_width));
  }
  const auto contrast = [&](int k, bool left, bool right) -> std::optional<double> {
    const auto at = [&](int i) {
      return std::abs(i) <= strips ? means[static_cast<std::size_t>(i + strips)] : std::nullopt;
    };
    const auto own = at(k);
    const auto before = left ? at(k - gap) : own;
    const auto after = right ? at(k + gap) : own;
    if (!own || !before || !after) return std::nullopt;
    if (!left && !right) return own->mean;
    const double sides = (left ? before->mean : 0.0) + (right ? after->mean : 0.0);
    return own->mean - sides / (left && right ? 2.0 : 1.0);
  };
  // At the border of the picture one side must do.
  const bool left = contrast(0, true, false).has_value();
  const bool right = contrast(0, false, true).has_value();
  if (!left && !right) return true;
  const double own = contrast(0, left, right).value_or(0.0);
  std::vector<double> others;
  std::vector<double> levels;
  for (int k = -strips; k <= strips; ++k) {
    // Those that lie on the trail or take it for their neighbour tell nothing of the rest.
    if (std::abs(k) <= 2 * gap && std::abs(k) <= strips / 2) continue;
    if (const auto value = contrast(k, left, right)) others.push_back(*value);
    if (const auto level = contrast(k, false, false)) levels.push_back(*level);
  }
  constexpr std::size_t enough = 8;
  if (others.size() < enough) return true;
  // Few strips may agree by accident: their scatter is never less than that of white noise.
  const Strip& middle = *means[strips];
  const double of_sides = std::sqrt(left && right ? 1.5 : 2.0) * middle.error;
  const double above_sides = own / std::max(robust_sigma(others), of_sides);
  const double above_all =
      (middle.mean - median(levels)) / std::max(robust_sigma(levels), middle.error);
  return above_sides > (broad ? 8.0 : 5.0) && above_all > (broad ? 10.0 : 7.0);
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
