#include "stars/fit_pixels.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::stars {
namespace {

/// A pixel belongs to the nearest source; a neighbour keeps its core in any case.
bool belongs_to_neighbour(const FitRegion& region, int x, int y) noexcept {
  const FitSetup& setup = region.setup;
  const auto squared = [&](double px, double py) {
    return (x - px) * (x - px) + (y - py) * (y - py);
  };
  const double own = squared(setup.x, setup.y);
  const double core = 2.25 * region.width * region.width;
  const bool outside_own = own > 0.5625 * region.width * region.width;
  for (const Point& other : setup.neighbours) {
    const double distance = squared(other.x, other.y);
    if (distance < own || (distance < core && outside_own)) return true;
  }
  return false;
}

void gather_ring(const FitRegion& region, double inner, double outer, PixelSet& set) noexcept {
  // Beyond the outer circle no pixel counts.
  const int r = std::min(region.radius, static_cast<int>(std::min(outer, 1e3)));
  const int ox = region.origin_x;
  const int oy = region.origin_y;
  const Rect window =
      Rect{ox - r, oy - r, ox + r + 1, oy + r + 1}.intersect(whole(region.image.size()));
  const double inner2 = inner < 0.0 ? -1.0 : inner * inner;
  const double outer2 = std::pow(std::min(outer, region.radius + 0.3), 2);
  for (int y = window.y0; y < window.y1; ++y) {
    const float* const values = region.image.row(y).data();
    const std::uint8_t* const bits = region.mask.row(y).data();
    // Greens lie on every other pixel of each row.
    const bool mono = region.setup.cfa == CfaPattern::none;
    const int first = mono || cfa_colour(region.setup.cfa, window.x0, y) == 1 ? 0 : 1;
    for (int x = window.x0 + first; x < window.x1; x += mono ? 1 : 2) {
      const double r2 = (x - ox) * (x - ox) + (y - oy) * (y - oy);
      if (r2 <= inner2 || r2 > outer2 || set.count >= max_fit_pixels) continue;
      if (bits[x] != 0 || !(values[x] - values[x] == 0.0F)) continue;
      if (!region.setup.neighbours.empty() && belongs_to_neighbour(region, x, y)) continue;
      set.x[set.count] = static_cast<float>(x - ox);
      set.y[set.count] = static_cast<float>(y - oy);
      set.value[set.count] =
          static_cast<float>((static_cast<double>(values[x]) - region.setup.sky) / region.scale);
      ++set.count;
    }
  }
}

}  // namespace

bool usable_pixel(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, CfaPattern cfa,
                  int x, int y) noexcept {
  if (mask(x, y) != 0 || !std::isfinite(image(x, y))) return false;
  return cfa == CfaPattern::none || cfa_colour(cfa, x, y) == 1;
}

void gather_pixels(const FitRegion& region, FitWorkspace& work) noexcept {
  PixelSet& set = work.pixels;
  set.count = 0;
  const double core = std::max(2.0, 1.5 * region.width);
  gather_ring(region, -1.0, core, set);
  set.core_count = set.count;
  gather_ring(region, core, region.radius + 0.3, set);
}

}  // namespace coldframe::stars
