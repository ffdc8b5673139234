#include "trail_level.hpp"

#include <span>
#include <utility>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline::detail {
namespace {

// Medians of cells where both can be seen: stars and trails do not count.
std::vector<SurfacePoint> differences(const Picture& a, const Picture& b) {
  constexpr int cell = 20;
  constexpr int thin = 2;
  constexpr std::size_t enough = 60;
  const Size size = a.values.size();
  std::vector<SurfacePoint> points;
  std::vector<float> sample;
  for (int y0 = 0; y0 < size.height; y0 += cell) {
    for (int x0 = 0; x0 < size.width; x0 += cell) {
      const Rect part = Rect{x0, y0, x0 + cell, y0 + cell}.intersect(whole(size));
      sample.clear();
      double sum_x = 0.0;
      double sum_y = 0.0;
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0 + y % thin; x < part.x1; x += thin) {
          if (a.mask(x, y) != 0 || b.mask(x, y) != 0) continue;
          sample.push_back(a.values(x, y) - b.values(x, y));
          sum_x += x;
          sum_y += y;
        }
      }
      if (sample.size() < enough) continue;
      const double n = static_cast<double>(sample.size());
      const double level = static_cast<double>(median_in_place(std::span<float>(sample)));
      points.push_back({sum_x / n, sum_y / n, level, 1.0});
    }
  }
  return points;
}

}  // namespace

std::vector<ChebyshevSurface> sky_differences(const std::vector<Picture>& members,
                                              Threads threads) {
  constexpr int order = 2;  // bends little where only one of the two sees the sky
  std::vector<ChebyshevSurface> surfaces(members.size());
  const std::size_t middle = members.size() / 2;
  parallel_for(threads, members.size(), [&](std::size_t k) {
    if (k == middle) return;
    const auto points = differences(members[k], members[middle]);
    if (points.size() < 2 * chebyshev_terms(order)) return;
    ChebyshevFit fit = fit_chebyshev(points, members[k].values.size(), order);
    if (fit.status == FitStatus::converged) surfaces[k] = std::move(fit.surface);
  });
  return surfaces;
}

void subtract(const ChebyshevSurface& surface, Grid<float>& values) {
  if (surface.coefficients.empty()) return;
  std::vector<float> row(static_cast<std::size_t>(values.width()));
  for (int y = 0; y < values.height(); ++y) {
    surface.evaluate_row(0, y, std::span<float>(row));
    const auto to = values.row(y);
    for (std::size_t x = 0; x < to.size(); ++x) to[x] -= row[x];
  }
}

}  // namespace coldframe::pipeline::detail
