#include "calibration_shapes.hpp"

#include <algorithm>
#include <cmath>
#include <span>

#include "check_parts.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::session {
namespace {

// Usual value of the subtracted frame in a cell, from some hundred pixels.
double dark_level(const Grid<float>& plane, const Rect& cell) {
  std::vector<float> values;
  // Odd steps meet all colours of a mosaic.
  const int step = std::max(std::max(cell.width(), cell.height()) / 24, 3) | 1;
  for (int y = cell.y0; y < cell.y1; y += step) {
    for (int x = cell.x0; x < cell.x1; x += step) {
      if (std::isfinite(plane(x, y))) values.push_back(plane(x, y));
    }
  }
  return values.empty() ? 0.0 : static_cast<double>(median_in_place(std::span<float>(values)));
}

double range_of(const std::vector<sensor::ShapePoint>& points) {
  std::vector<double> values;
  for (const auto& p : points) values.push_back(p.pattern);
  if (values.size() < 10) return 0.0;
  std::sort(values.begin(), values.end());
  return values[values.size() * 98 / 100] - values[values.size() / 50];
}

}  // namespace

// Subs that share one calibration, spread over the group.
std::vector<const SubState*> spread(const GroupState& group, const pipeline::Calibration* which,
                                    std::size_t most) {
  std::vector<const SubState*> all;
  for (const auto& sub : group.subs) {
    if (sub.usable && sub.calibration.get() == which) all.push_back(&sub);
  }
  std::vector<const SubState*> some;
  const std::size_t wanted = std::min(all.size(), most);
  for (std::size_t k = 0; k < wanted; ++k) some.push_back(all[k * all.size() / wanted]);
  return some;
}

Shapes shapes_of(const GroupState& group, const pipeline::Calibration& how) {
  Shapes shapes;
  const auto subs = spread(group, &how, 1000);
  if (subs.empty() || subs.front()->measured.sky.empty()) return shapes;
  const auto& first = subs.front()->measured;
  const auto& mesh = first.sky.front().mesh;
  const int step = first.sky.front().step;
  std::vector<double> skies, noises;
  for (const auto* sub : subs) {
    skies.push_back(sub->measured.sky.front().mesh.median_level());
    noises.push_back(sub->measured.sky.front().mesh.median_noise());
  }
  shapes.sky = median(skies);
  shapes.noise = median(noises);
  const double unit = static_cast<double>(how.constant_multiply);
  const double usual_dark =
      how.subtract.empty() ? 0.0 : dark_level(how.subtract, whole(how.subtract.size()));
  for (int j = 0; j < mesh.level.height(); ++j) {
    for (int i = 0; i < mesh.level.width(); ++i) {
      std::vector<double> levels;
      for (std::size_t k = 0; k < subs.size(); ++k) {
        const auto& grid = subs[k]->measured.sky.front().mesh.level;
        if (grid.size() != mesh.level.size()) continue;
        levels.push_back(static_cast<double>(grid(i, j)) - skies[k]);
      }
      const int side = mesh.cell_px * step;
      const Rect cell =
          Rect{i * side, j * side, (i + 1) * side, (j + 1) * side}.intersect(whole(first.frame));
      if (cell.empty()) continue;
      sensor::ShapePoint point;
      const double cx = 0.5 * (cell.x0 + cell.x1);
      const double cy = 0.5 * (cell.y0 + cell.y1);
      point.x = 2.0 * cx / first.frame.width - 1.0;
      point.y = 2.0 * cy / first.frame.height - 1.0;
      point.value = median(levels);
      if (!how.multiply.empty()) {
        point.pattern = 1.0 / how.inverse_flat_at(cx, cy);
        shapes.flat.push_back(point);
      }
      if (how.subtract.empty()) continue;
      const double dark = dark_level(how.subtract, cell);
      if (!how.multiply.empty()) {
        shapes.light_in_dark.push_back({point.x, point.y, dark, point.pattern});
      }
      // Without the offset, which would follow the flat.
      point.pattern = (dark - usual_dark) * unit * how.inverse_flat_at(cx, cy);
      shapes.dark.push_back(point);
    }
  }
  shapes.flat_range = range_of(shapes.flat);
  shapes.dark_range = range_of(shapes.dark);
  return shapes;
}

}  // namespace coldframe::session
