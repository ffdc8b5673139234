#include "trail_preview.hpp"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline::detail {
namespace {

// Medians of coarse cells; those with too little to see take the mean of their neighbours.
Grid<float> cell_levels(const Grid<float>& values, const Mask& mask, int cell, int thin) {
  const Size size = values.size();
  Grid<float> levels((size.width + cell - 1) / cell, (size.height + cell - 1) / cell);
  std::vector<std::pair<int, int>> empty;
  std::vector<float> sample;
  for (int j = 0; j < levels.height(); ++j) {
    for (int i = 0; i < levels.width(); ++i) {
      const Rect part =
          Rect{i * cell, j * cell, (i + 1) * cell, (j + 1) * cell}.intersect(whole(size));
      sample.resize(static_cast<std::size_t>(part.width()) *
                    static_cast<std::size_t>(part.height()));
      std::size_t count = 0;
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0 + y % thin; x < part.x1; x += thin) {
          sample[count] = values(x, y);  // written over where it does not count
          count += mask(x, y) == 0 ? 1U : 0U;
        }
      }
      sample.resize(count);
      constexpr std::size_t enough = 50;
      if (sample.size() < enough) empty.emplace_back(i, j);
      levels(i, j) =
          sample.size() < enough ? std::nanf("") : median_in_place(std::span<float>(sample));
    }
  }
  Grid<float> filled = levels.clone();
  for (const auto& [i, j] : empty) {
    float sum = 0.0F;
    float count = 0.0F;
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

}  // namespace

PositionMesh::PositionMesh(Size size, const std::function<Point(double, double)>& place)
    : x_(size.width / step + 2, size.height / step + 2),
      y_(size.width / step + 2, size.height / step + 2) {
  for (int j = 0; j < x_.height(); ++j) {
    for (int i = 0; i < x_.width(); ++i) {
      const Point p = place(i * step, j * step);
      x_(i, j) = p.x;
      y_(i, j) = p.y;
    }
  }
}

Picture register_preview(const SubMeasurement& sub, const Transform& transform,
                         const PreviewGrid& canvas) {
  Picture out{Grid<float>(canvas.size), Mask(canvas.size)};
  const PreviewGrid own{sub.preview.size(), sub.preview_bin};
  const PositionMesh mesh(canvas.size, [&](double i, double j) {
    return own.from_frame(transform.unapply(canvas.to_frame(i, j)));
  });
  for (int j = 0; j < canvas.size.height; ++j) {
    for (int i = 0; i < canvas.size.width; ++i) {
      const Place place = Place::of(mesh.at(i, j));
      if (!place.inside(own.size) || place.bits(sub.preview_mask) != 0) {
        out.mask(i, j) = mask_bit::outside;
      } else {
        out.values(i, j) = place.value(sub.preview);
      }
    }
  }
  return out;
}

// A level per cell would leave saw-teeth on a slope, which line up along the cells.
void subtract_smooth_level(Grid<float>& values, const Mask& mask, int cell, int thin) {
  const Grid<float> levels = cell_levels(values, mask, cell, thin);
  const Size size = values.size();
  struct Between {
    int first = 0;
    int second = 0;
    float share = 0.0F;  ///< of the second; beyond the middles straight on
  };
  const auto places = [cell](int pixels, int cells) {
    // A last, narrow cell has its middle elsewhere: it is met from the one before.
    const int whole_cells = std::max(pixels / cell, 1);
    std::vector<Between> list(static_cast<std::size_t>(pixels));
    for (int pixel = 0; pixel < pixels; ++pixel) {
      const double at = (pixel + 0.5) / cell - 0.5;
      Between& p = list[static_cast<std::size_t>(pixel)];
      p.first = std::clamp(static_cast<int>(std::floor(at)), 0, std::max(whole_cells - 2, 0));
      p.second = std::min(p.first + 1, cells - 1);
      if (cells > 1 && whole_cells > 1) p.share = static_cast<float>(at - p.first);
    }
    return list;
  };
  const auto columns = places(size.width, levels.width());
  const auto rows = places(size.height, levels.height());
  std::vector<float> row_levels(static_cast<std::size_t>(levels.width()));
  for (int j = 0; j < size.height; ++j) {
    const Between& r = rows[static_cast<std::size_t>(j)];
    for (int a = 0; a < levels.width(); ++a) {
      row_levels[static_cast<std::size_t>(a)] =
          levels(a, r.first) * (1.0F - r.share) + levels(a, r.second) * r.share;
    }
    const auto row = values.row(j);
    for (std::size_t i = 0; i < row.size();) {
      // All pixels between the middles of the same two cells.
      const Between c = columns[i];
      const float first = row_levels[static_cast<std::size_t>(c.first)];
      const float second = row_levels[static_cast<std::size_t>(c.second)];
      std::size_t end = i + 1;
      while (end < row.size() && columns[end].first == c.first) ++end;
      for (; i < end; ++i) row[i] -= first * (1.0F - columns[i].share) + second * columns[i].share;
    }
  }
}

void subtract_sky(Grid<float>& values, const Mask& mask) {
  constexpr int thin = 8;
  subtract_smooth_level(values, mask, 4 * smooth_cell, thin);
  subtract_smooth_level(values, mask);
}

namespace {

// Sums of 2 reach + 1 neighbours along a row, by doubling: each window is added anew, so nothing
// drifts. `padded` has `reach` zeros before and after the row; it is used up.
void window_sums(std::vector<float>& padded, int reach, std::span<float> out) {
  const std::size_t size = padded.size();
  std::fill(out.begin(), out.end(), 0.0F);
  std::size_t offset = 0;
  const auto window = static_cast<std::size_t>(2 * reach + 1);
  for (std::size_t width = 1; width <= window; width *= 2) {
    // padded[i] is the sum of `width` values from i on.
    if ((window & width) != 0) {
      for (std::size_t i = 0; i < out.size(); ++i) out[i] += padded[i + offset];
      offset += width;
    }
    for (std::size_t i = 0; i + width < size; ++i) padded[i] += padded[i + width];
  }
}

}  // namespace

Grid<float> box_means(const Grid<float>& values, const Mask& mask, int reach) {
  const Size size = values.size();
  Grid<float> sums(size);
  Grid<float> counts(size);
  const auto width = static_cast<std::size_t>(size.width);
  const auto margin = static_cast<std::size_t>(reach);
  std::vector<float> padded_values, padded_counts;
  for (int j = 0; j < size.height; ++j) {
    padded_values.assign(width + 2 * margin, 0.0F);
    padded_counts.assign(width + 2 * margin, 0.0F);
    const auto row = values.row(j);
    const auto bits = mask.row(j);
    for (std::size_t i = 0; i < width; ++i) {
      padded_values[i + margin] = bits[i] == 0 ? row[i] : 0.0F;
      padded_counts[i + margin] = bits[i] == 0 ? 1.0F : 0.0F;
    }
    window_sums(padded_values, reach, sums.row(j));
    window_sums(padded_counts, reach, counts.row(j));
  }
  Grid<float> means(size);
  std::vector<float> sum(width), count(width);
  for (int j = 0; j < size.height; ++j) {
    std::fill(sum.begin(), sum.end(), 0.0F);
    std::fill(count.begin(), count.end(), 0.0F);
    for (int y = std::max(j - reach, 0); y <= std::min(j + reach, size.height - 1); ++y) {
      const auto s = sums.row(y);
      const auto c = counts.row(y);
      for (std::size_t i = 0; i < width; ++i) {
        sum[i] += s[i];
        count[i] += c[i];
      }
    }
    const auto out = means.row(j);
    for (std::size_t i = 0; i < width; ++i) {
      out[i] = count[i] > 0.0F ? sum[i] / count[i] : 0.0F;
    }
  }
  return means;
}

double scale_against(const Grid<float>& preview, const Mask& mask, const Grid<float>& model) {
  constexpr float bright = 15.0F;
  constexpr std::size_t enough = 30;
  Grid<float> own = preview.clone();
  Grid<float> common = model.clone();
  constexpr int thin = 4;
  subtract_smooth_level(own, mask, smooth_cell, thin);
  subtract_smooth_level(common, mask, smooth_cell, thin);
  std::vector<double> ratios;
  for (int j = 0; j < model.height(); ++j) {
    for (int i = 0; i < model.width(); ++i) {
      if (mask(i, j) != 0 || !(common(i, j) > bright)) continue;
      ratios.push_back(static_cast<double>(own(i, j)) / static_cast<double>(common(i, j)));
    }
  }
  if (ratios.size() < enough) return 1.0;
  return std::clamp(median(ratios), 0.02, 50.0);
}

}  // namespace coldframe::pipeline::detail
