#include <algorithm>
#include <array>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "stars/fit_pixels.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {

SharpEdge look_for_edge(const DetectionFrame& frame, const Peak& peak, double sky,
                        double sigma) noexcept {
  SharpEdge edge;
  const Rect all = whole(frame.image.size());
  const auto usable = [&](int x, int y) {
    return all.contains(x, y) && usable_pixel(frame.image, frame.mask, frame.cfa, x, y);
  };
  int bx = peak.x;
  int by = peak.y;
  for (int y = peak.y - 1; y <= peak.y + 1; ++y) {
    for (int x = peak.x - 1; x <= peak.x + 1; ++x) {
      if (usable(x, y) && (!usable(bx, by) || frame.image(x, y) > frame.image(bx, by))) {
        bx = x;
        by = y;
      }
    }
  }
  if (!usable(bx, by)) return edge;
  const double top = static_cast<double>(frame.image(bx, by)) - sky;
  if (!(top > 0.0)) return edge;
  const auto share = [&](int dx, int dy) {
    return (static_cast<double>(frame.image(bx + dx, by + dy)) - sky) / top;
  };
  constexpr std::array<std::array<int, 2>, 4> steps{{{1, 0}, {0, 1}, {1, 1}, {1, -1}}};
  for (std::size_t k = 0; k < steps.size(); ++k) {
    const int dx = steps[k][0];
    const int dy = steps[k][1];
    if (!usable(bx + dx, by + dy) || !usable(bx - dx, by - dy)) continue;
    const double a = share(dx, dy);
    const double b = share(-dx, -dy);
    double& least = k < 2 ? edge.across : edge.diagonal;
    least = std::min(least, 0.5 * (a + b));
    const double lit = std::max(0.25, 4.0 * sigma / top);
    edge.lit += (a > lit ? 1 : 0) + (b > lit ? 1 : 0);
  }
  const double photons =
      frame.gain_e_per_unit > 0.0 ? std::max(0.0, top) / frame.gain_e_per_unit : 0.0;
  const double low = std::clamp(std::min(edge.across, edge.diagonal), 0.0, 1.0);
  edge.top_error = std::sqrt(sigma * sigma + photons) / top;
  edge.pair_error = std::sqrt(0.5 * (sigma * sigma + low * photons)) / top;
  return edge;
}

double least_side_ratio(double fwhm_px) noexcept {
  // Pixel-integrated Gaussian whose recorded width is fwhm_px (widths in squares; the pixel's
  // share is 0.68 px^2 for such narrow profiles).
  const double sigma = std::sqrt(std::max(fwhm_px * fwhm_px - 0.68, 0.3)) / fwhm_over_sigma;
  const double inner = std::erf(0.5 / (sigma * std::sqrt(2.0)));
  const double side = 0.5 * (std::erf(1.5 / (sigma * std::sqrt(2.0))) - inner);
  return side / inner;
}

bool has_sharp_edge(const Source& source, double fwhm_px) noexcept {
  // What no star of any width could be darker than needs no closer look.
  return edge_sharper_than(source, 1.0) && edge_sharper_than(source, least_side_ratio(fwhm_px));
}

bool edge_sharper_than(const Source& source, double side) noexcept {
  const SharpEdge& edge = source.sharp_edge;
  // The pixel was chosen for being bright, the pair for being dark: 5 sigma hold for both.
  const auto dark = [&](double ratio, double least) {
    const double excess = 1.0 - ratio / least;
    return excess > 0.5 && excess > 5.0 * std::hypot(edge.top_error, edge.pair_error / least);
  };
  return dark(edge.across, side) || dark(edge.diagonal, side * side);
}

}  // namespace coldframe::stars
