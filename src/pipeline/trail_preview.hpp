/// \file
/// Previews on common grids: positions, resampling, smooth levels.
#pragma once

#include <algorithm>
#include <functional>

#include "coldframe/core/image.hpp"
#include "coldframe/core/transform.hpp"
#include "coldframe/pipeline/measure_pass.hpp"

namespace coldframe::pipeline::detail {

/// A picture with its mask; pixels with any bit do not count.
struct Picture {
  Grid<float> values;
  Mask mask;
};

/// Pixel grid of a preview: whole bins from the frame's first pixel on.
struct PreviewGrid {
  Size size;
  int bin = 1;
  [[nodiscard]] Point to_frame(double i, double j) const noexcept {
    return {(i + 0.5) * bin - 0.5, (j + 0.5) * bin - 0.5};
  }
  [[nodiscard]] Point from_frame(Point p) const noexcept {
    return {(p.x + 0.5) / bin - 0.5, (p.y + 0.5) / bin - 0.5};
  }
};

/// Where the pixels of one grid lie in another: exact on every eighth pixel, linear between
/// (transforms bend by far less than a pixel over such a distance).
class PositionMesh {
 public:
  PositionMesh(Size size, const std::function<Point(double, double)>& place);
  [[nodiscard]] Point at(int i, int j) const noexcept {
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

 private:
  static constexpr int step = 8;
  Grid<double> x_;
  Grid<double> y_;
};

/// A bilinear place: lower left pixel and shares of the right and upper ones.
struct Place {
  int x = 0;
  int y = 0;
  float fx = 0.0F;
  float fy = 0.0F;
  [[nodiscard]] static Place of(Point p) noexcept {
    constexpr double far = 1e8;
    const double u = std::clamp(p.x, -far, far);
    const double v = std::clamp(p.y, -far, far);
    Place place;
    place.x = floor_of(u);
    place.y = floor_of(v);
    place.fx = static_cast<float>(u - place.x);
    place.fy = static_cast<float>(v - place.y);
    return place;
  }
  [[nodiscard]] bool inside(Size size) const noexcept {
    return x >= 0 && y >= 0 && x + 1 < size.width && y + 1 < size.height;
  }
  [[nodiscard]] float value(const Grid<float>& from) const noexcept {
    const float lower = from(x, y) * (1 - fx) + from(x + 1, y) * fx;
    const float upper = from(x, y + 1) * (1 - fx) + from(x + 1, y + 1) * fx;
    return lower * (1 - fy) + upper * fy;
  }
  [[nodiscard]] std::uint8_t bits(const Mask& from) const noexcept {
    return static_cast<std::uint8_t>(from(x, y) | from(x + 1, y) | from(x, y + 1) |
                                     from(x + 1, y + 1));
  }

 private:
  /// Of what fits an int; without a call of the library.
  [[nodiscard]] static int floor_of(double v) noexcept {
    const int cut = static_cast<int>(v);
    return static_cast<double>(cut) > v ? cut - 1 : cut;
  }
};

/// The sub's preview on the canvas' preview grid.
[[nodiscard]] Picture register_preview(const SubMeasurement& sub, const Transform& transform,
                                       const PreviewGrid& canvas);

/// Takes out what varies over more than a cell, measured on every `thin`-th unmasked pixel:
/// medians of cells, bilinear between their middles.
inline constexpr int smooth_cell = 40;
void subtract_smooth_level(Grid<float>& values, const Mask& mask, int cell = smooth_cell,
                           int thin = 1);

/// First over wide cells, then over usual ones: where half a cell is masked, a slope across it
/// would pass for a level.
void subtract_sky(Grid<float>& values, const Mask& mask);

/// Means over unmasked pixels within `reach` in x and y; 0 where there are none.
[[nodiscard]] Grid<float> box_means(const Grid<float>& values, const Mask& mask, int reach);

/// The median of preview / model over pixels bright in the model, the smooth sky taken out of both:
/// what depth, exposure and the preview's own unit make of it. 1 where too few are bright.
[[nodiscard]] double scale_against(const Grid<float>& preview, const Mask& mask,
                                   const Grid<float>& model);

}  // namespace coldframe::pipeline::detail
