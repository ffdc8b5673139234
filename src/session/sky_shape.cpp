#include "sky_shape.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::session {

// The last cell of a row or column holds the rest of the frame as well. In mesh pixels.
double SkyShape::centre(int i, int cells, int length) const noexcept {
  const double begin = static_cast<double>(i) * sky_.mesh.cell_px;
  const double end = i + 1 == cells ? length : begin + sky_.mesh.cell_px;
  return 0.5 * (begin + end) - 0.5;
}

SkyShape::SkyShape(const pipeline::ChannelSky& sky)
    : sky_(sky), rest_(sky.mesh.level.width(), sky.mesh.level.height()) {
  const auto& mesh = sky.mesh;
  std::vector<SurfacePoint> points;
  for (int j = 0; j < rest_.height(); ++j) {
    for (int i = 0; i < rest_.width(); ++i) {
      points.push_back({centre(i, rest_.width(), mesh.frame.width),
                        centre(j, rest_.height(), mesh.frame.height),
                        static_cast<double>(mesh.level(i, j)), 1.0});
    }
  }
  for (int order = 2; order >= 0 && surface_.coefficients.empty(); --order) {
    if (order > 0 && points.size() < 2 * chebyshev_terms(order)) continue;
    const auto fit = fit_chebyshev(points, mesh.frame, order);
    if (fit.status == FitStatus::converged || fit.status == FitStatus::iteration_limit) {
      surface_ = fit.surface;
    }
  }
  std::size_t k = 0;
  for (int j = 0; j < rest_.height(); ++j) {
    for (int i = 0; i < rest_.width(); ++i, ++k) {
      const auto& p = points[k];
      rest_(i, j) = static_cast<float>(p.value - surface_.evaluate({p.x, p.y}));
    }
  }
}

double SkyShape::at(Point p) const noexcept {
  const auto& mesh = sky_.mesh;
  const Point m{(p.x - sky_.offset_x) / sky_.step, (p.y - sky_.offset_y) / sky_.step};
  // Lower cell and share of the next one.
  const auto between = [&](double x, int cells, int length) {
    if (cells < 2) return std::pair{0, 0.0};
    const int i =
        std::clamp(static_cast<int>(std::floor((x + 0.5) / mesh.cell_px - 0.5)), 0, cells - 2);
    const double a = centre(i, cells, length), b = centre(i + 1, cells, length);
    return std::pair{i, std::clamp((x - a) / (b - a), 0.0, 1.0)};
  };
  const auto [i, fx] = between(m.x, rest_.width(), mesh.frame.width);
  const auto [j, fy] = between(m.y, rest_.height(), mesh.frame.height);
  const int i1 = std::min(i + 1, rest_.width() - 1), j1 = std::min(j + 1, rest_.height() - 1);
  const auto value = [&](int x, int y) { return static_cast<double>(rest_(x, y)); };
  const double low = (1.0 - fx) * value(i, j) + fx * value(i1, j);
  const double high = (1.0 - fx) * value(i, j1) + fx * value(i1, j1);
  return surface_.evaluate(m) + (1.0 - fy) * low + fy * high;
}

}  // namespace coldframe::session
