#include "trail_preview.hpp"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline::detail {
namespace {

// Medians of coarse cells; those with too little to see take the mean of their neighbours.
Grid<float> cell_levels(const Grid<float>& values, const Mask& mask, int cell) {
  const Size size = values.size();
  Grid<float> levels((size.width + cell - 1) / cell, (size.height + cell - 1) / cell);
  std::vector<std::pair<int, int>> empty;
  std::vector<float> sample;
  for (int j = 0; j < levels.height(); ++j) {
    for (int i = 0; i < levels.width(); ++i) {
      const Rect part =
          Rect{i * cell, j * cell, (i + 1) * cell, (j + 1) * cell}.intersect(whole(size));
      sample.clear();
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0; x < part.x1; ++x) {
          if (mask(x, y) == 0) sample.push_back(values(x, y));
        }
      }
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

Point PositionMesh::at(int i, int j) const noexcept {
  const int a = i / step;
  const int b = j / step;
  const double u = static_cast<double>(i % step) / step;
  const double v = static_cast<double>(j % step) / step;
  const auto between = [&](const Grid<double>& g) {
    const double low = g(a, b) * (1.0 - u) + g(a + 1, b) * u;
    const double high = g(a, b + 1) * (1.0 - u) + g(a + 1, b + 1) * u;
    return low * (1.0 - v) + high * v;
  };
  return {between(x_), between(y_)};
}

Place Place::of(Point p) noexcept {
  constexpr double far = 1e8;
  const double u = std::clamp(p.x, -far, far);
  const double v = std::clamp(p.y, -far, far);
  Place place;
  place.x = static_cast<int>(std::floor(u));
  place.y = static_cast<int>(std::floor(v));
  place.fx = static_cast<float>(u - place.x);
  place.fy = static_cast<float>(v - place.y);
  return place;
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
void subtract_smooth_level(Grid<float>& values, const Mask& mask, int cell) {
  const Grid<float> levels = cell_levels(values, mask, cell);
  const Size size = values.size();
  const auto place = [cell](int pixel, int pixels, int cells) {
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
      values(i, j) -= static_cast<float>(low * (1.0 - v) + high * v);
    }
  }
}

Grid<float> box_means(const Grid<float>& values, const Mask& mask, int reach) {
  const Size size = values.size();
  Grid<float> sums(size);
  Grid<float> counts(size);
  // Along the rows, then the columns; each window is added anew, so nothing drifts.
  for (int j = 0; j < size.height; ++j) {
    for (int i = 0; i < size.width; ++i) {
      for (int x = std::max(i - reach, 0); x <= std::min(i + reach, size.width - 1); ++x) {
        if (mask(x, j) != 0) continue;
        sums(i, j) += values(x, j);
        counts(i, j) += 1.0F;
      }
    }
  }
  Grid<float> means(size);
  for (int j = 0; j < size.height; ++j) {
    const int y0 = std::max(j - reach, 0);
    const int y1 = std::min(j + reach, size.height - 1);
    for (int i = 0; i < size.width; ++i) {
      float sum = 0.0F;
      float count = 0.0F;
      for (int y = y0; y <= y1; ++y) {
        sum += sums(i, y);
        count += counts(i, y);
      }
      if (count > 0.0F) means(i, j) = sum / count;
    }
  }
  return means;
}

double scale_against(const Grid<float>& preview, const Mask& mask, const Grid<float>& model) {
  constexpr float bright = 15.0F;
  constexpr std::size_t enough = 30;
  Grid<float> own = preview.clone();
  Grid<float> common = model.clone();
  subtract_smooth_level(own, mask);
  subtract_smooth_level(common, mask);
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
