#include "coldframe/pipeline/calibrated_noise.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::pipeline {
namespace {

/// The noise terms of one pixel.
struct PixelTerms {
  double per_adu;    ///< calibrated units per ADU: gain / flat
  double dark;       ///< variance of one dark frame and of the subtracted master, ADU^2
  double flat;       ///< relative variance of the flat
  double adu_per_e;  ///< 1 / gain

  [[nodiscard]] double variance(double value) const noexcept {
    const double signal = std::max(value / per_adu, 0.0);
    return per_adu * per_adu * (dark + signal * adu_per_e) + value * value * flat;
  }
};

double at(const Grid<float>& plane, int x, int y, double otherwise) noexcept {
  return plane.empty() ? otherwise : static_cast<double>(plane(x, y));
}

PixelTerms terms_at(const Calibration& c, int x, int y) noexcept {
  const auto& noise = c.noise;
  const double multiply = at(c.multiply, x, y, static_cast<double>(c.constant_multiply));
  return {multiply,
          at(noise.dark_frame, x, y, c.dark_frame_variance) + at(noise.subtract, x, y, 0.0),
          at(noise.flat, x, y, 0.0), c.gain_e_per_adu > 0.0 ? 1.0 / c.gain_e_per_adu : 1.0};
}

/// Mean of the same-coloured 3 x 3 pixels around (x, y) that hold a number.
double neighbourhood(PlaneView<const float> values, PlaneView<const std::uint8_t> mask, int x,
                     int y, int step) noexcept {
  double sum = 0.0;
  int count = 0;
  for (int dy = -step; dy <= step; dy += step) {
    for (int dx = -step; dx <= step; dx += step) {
      const int u = x + dx;
      const int v = y + dy;
      if (u < 0 || v < 0 || u >= values.width() || v >= values.height()) continue;
      if ((mask(u, v) & mask_bit::not_finite) != 0) continue;
      sum += static_cast<double>(values(u, v));
      ++count;
    }
  }
  return count > 0 ? sum / count : static_cast<double>(values(x, y));
}

float pixel_error(const PixelTerms& terms, double own, double around) noexcept {
  constexpr double agreement = 9.0;  // 3 standard deviations, squared
  const double smooth = terms.variance(around);
  const double off = own - around;
  const double variance = off * off <= agreement * smooth ? smooth : terms.variance(own);
  return static_cast<float>(std::sqrt(variance));
}

}  // namespace

void read_calibrated_with_error(const PixelSource& raw, const Calibration& calibration,
                                const Rect& rect, PlaneView<float> values,
                                PlaneView<std::uint8_t> mask, PlaneView<float> error, int plane) {
  const int step = calibration.cfa == CfaPattern::none ? 1 : 2;
  const Rect wide = rect.expand(step).intersect(whole(raw.size()));
  Grid<float> pixels(wide.size());
  Mask bits(wide.size());
  read_calibrated(raw, calibration, wide, pixels.view(), bits.view(), plane);
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) {
      const int u = x - wide.x0;
      const int v = y - wide.y0;
      const float value = pixels(u, v);
      values(x - rect.x0, y - rect.y0) = value;
      mask(x - rect.x0, y - rect.y0) = bits(u, v);
      error(x - rect.x0, y - rect.y0) =
          pixel_error(terms_at(calibration, x, y), static_cast<double>(value),
                      neighbourhood(pixels.cview(), bits.cview(), u, v, step));
    }
  }
}

}  // namespace coldframe::pipeline
