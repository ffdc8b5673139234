#include "coldframe/view/layer.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "coldframe/core/statistics.hpp"
#include "row_noises.hpp"

namespace coldframe::view {
namespace {

constexpr int sample_rows = 128;

// Finite values of some rows.
std::vector<double> sample(PlaneView<const float> plane) {
  std::vector<double> values;
  const int step = std::max(plane.height() / sample_rows, 1);
  for (int y = step / 2; y < plane.height(); y += step) {
    for (const float v : plane.row(y)) {
      if (std::isfinite(v)) values.push_back(static_cast<double>(v));
    }
  }
  return values;
}

double noise_of(PlaneView<const float> plane, double fallback) {
  auto noise = row_noises(plane, sample_rows);
  std::erase_if(noise, [](double n) { return !(n > 0.0); });
  return noise.empty() ? fallback : median_in_place(noise);
}

std::uint8_t to_code(double code) {
  return static_cast<std::uint8_t>(std::lround(std::clamp(code, 1.0, 255.0)));
}

double code_of(const Layer& layer, std::size_t plane, double value) {
  const auto& p = layer.planes[plane];
  if (!layer.light) return 1.0 + (value - p.level) / p.noise;
  return layer_zero + layer_steps * std::asinh((value - p.level) / (2.0 * p.noise));
}

void fill_picture(const Image& image, Layer& layer) {
  auto& picture = layer.picture;
  picture.width = image.width();
  picture.height = image.height();
  picture.channels = image.planes() == 3 ? 3 : 1;
  const auto channels = static_cast<std::size_t>(picture.channels);
  const auto width = static_cast<std::size_t>(image.width());
  picture.pixels.assign(width * static_cast<std::size_t>(image.height()) * channels, 0);
  for (std::size_t p = 0; p < channels; ++p) {
    const auto plane = image.plane(static_cast<int>(p));
    for (int y = 0; y < image.height(); ++y) {
      auto* out = picture.pixels.data() +
                  width * static_cast<std::size_t>(image.height() - 1 - y) * channels + p;
      for (const float v : plane.row(y)) {
        *out = std::isfinite(v) ? to_code(code_of(layer, p, static_cast<double>(v))) : 0;
        out += channels;
      }
    }
  }
}

// Mean of 3 x 3 places of the preview inside one pixel of the thumbnail; NaN outside.
double seen_at(const Grid<float>& preview, int bin, const Transform& to_sub, double left,
               double bottom, double step) {
  double sum = 0.0;
  int count = 0;
  for (int j = 0; j < 3; ++j) {
    for (int i = 0; i < 3; ++i) {
      const Point canvas{left + (i + 0.5) * step / 3.0, bottom + (j + 0.5) * step / 3.0};
      const Point sub = to_sub.apply(canvas);
      const double x = std::floor((sub.x + 0.5) / bin);
      const double y = std::floor((sub.y + 0.5) / bin);
      if (!(x >= 0.0 && y >= 0.0 && x < preview.width() && y < preview.height())) continue;
      const float value = preview(static_cast<int>(x), static_cast<int>(y));
      if (!std::isfinite(value)) continue;
      sum += static_cast<double>(value);
      ++count;
    }
  }
  return count > 0 ? sum / count : std::numeric_limits<double>::quiet_NaN();
}

// A distortion of some pixels does not show in a thumbnail: polynomials are taken as their linear
// part in the middle.
Transform canvas_to_sub(const Transform& to_canvas, Size canvas) {
  if (!to_canvas.polynomial) {
    if (const auto inverse = to_canvas.inverse()) return *inverse;
  }
  const Point middle{(canvas.width - 1) / 2.0, (canvas.height - 1) / 2.0};
  const Point sub = to_canvas.unapply(middle);
  const auto j = to_canvas.jacobian(sub);
  const double det = j[0] * j[3] - j[1] * j[2];
  const double a = j[3] / det, b = -j[1] / det, c = -j[2] / det, d = j[0] / det;
  return Transform::affine(a, b, sub.x - a * middle.x - b * middle.y, c, d,
                           sub.y - c * middle.x - d * middle.y);
}

// Steps of eight: 32 grey levels.
std::uint8_t grey_of(double value) {
  if (!std::isfinite(value)) return 0;
  const double grey = 72.0 + 30.0 * std::asinh(value / 0.6);
  return static_cast<std::uint8_t>(8 * std::clamp(std::lround(grey / 8.0), 1L, 31L));
}

}  // namespace

Layer encode_light(const Image& image) {
  Layer layer;
  for (int p = 0; p < image.planes() && p < 3; ++p) {
    auto values = sample(image.plane(p));
    auto& plane = layer.planes[static_cast<std::size_t>(p)];
    if (!values.empty()) {
      plane.level = median(values);
      plane.noise = noise_of(image.plane(p), robust_sigma(values));
    }
    if (!(plane.noise > 0.0)) plane.noise = std::max(1e-6, 1e-3 * std::fabs(plane.level));
  }
  fill_picture(image, layer);
  return layer;
}

Layer encode_figure(const Image& image) {
  Layer layer;
  layer.light = false;
  for (int p = 0; p < image.planes() && p < 3; ++p) {
    auto values = sample(image.plane(p));
    auto& plane = layer.planes[static_cast<std::size_t>(p)];
    if (values.empty()) continue;
    plane.level = quantile_in_place(values, 0.001);
    plane.noise = (quantile_in_place(values, 0.999) - plane.level) / 254.0;
    if (!(plane.noise > 0.0)) plane.noise = 1.0;
  }
  fill_picture(image, layer);
  return layer;
}

double decode(const Layer& layer, int plane, std::uint8_t code) noexcept {
  if (code == 0) return std::numeric_limits<double>::quiet_NaN();
  const auto& p = layer.planes[static_cast<std::size_t>(plane)];
  if (!layer.light) return p.level + (code - 1.0) * p.noise;
  return p.level + 2.0 * p.noise * std::sinh((code - layer_zero) / layer_steps);
}

Picture sub_thumbnail(const Grid<float>& preview, int bin, const Transform& to_canvas, Size canvas,
                      int longest) {
  Picture picture;
  const double step =
      std::max(1.0, static_cast<double>(std::max(canvas.width, canvas.height)) / longest);
  picture.width = std::max(1, static_cast<int>(canvas.width / step));
  picture.height = std::max(1, static_cast<int>(canvas.height / step));
  picture.pixels.resize(static_cast<std::size_t>(picture.width) *
                        static_cast<std::size_t>(picture.height));
  const auto to_sub = canvas_to_sub(to_canvas, canvas);
  auto out = picture.pixels.begin();
  for (int j = picture.height - 1; j >= 0; --j) {
    for (int i = 0; i < picture.width; ++i) {
      *out++ = grey_of(seen_at(preview, bin, to_sub, i * step - 0.5, j * step - 0.5, step));
    }
  }
  return picture;
}

}  // namespace coldframe::view
