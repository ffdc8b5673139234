#include "stars/spread.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "stars/profile_model.hpp"

namespace coldframe::stars {
namespace {

/// exp(-narrow (k - centre)^2) for whole k: the window is a product of one per axis.
class Window {
 public:
  Window(const float* places, std::size_t count, double centre, double narrow) noexcept
      : centre_(centre), narrow_(narrow) {
    if (count == 0) return;
    const auto [least, greatest] = std::minmax_element(places, places + count);
    first_ = static_cast<int>(*least);
    size_ = std::min(static_cast<int>(*greatest) - first_ + 1, static_cast<int>(values_.size()));
    for (int k = 0; k < size_; ++k) values_[static_cast<std::size_t>(k)] = direct(first_ + k);
  }
  [[nodiscard]] double at(float place) const noexcept {
    const int k = static_cast<int>(place) - first_;
    return k < size_ ? values_[static_cast<std::size_t>(k)] : direct(static_cast<int>(place));
  }

 private:
  [[nodiscard]] double direct(int k) const noexcept {
    const double d = k - centre_;
    return std::exp(-narrow_ * d * d);
  }
  double centre_;
  double narrow_;
  int first_ = 0;
  int size_ = 0;
  std::array<double, 2 * max_fit_radius + 1> values_;
};

}  // namespace

namespace {

struct Tensor {
  double xx = 0.0, xy = 0.0, yy = 0.0;

  void add(double light, double dx, double dy) noexcept {
    xx += light * dx * dx;
    xy += light * dx * dy;
    yy += light * dy * dy;
  }
  [[nodiscard]] double along(double c, double s) const noexcept {
    return xx * c * c + 2.0 * xy * c * s + yy * s * s;
  }
};

double largest_ratio(const Tensor& seen, const Tensor& drawn) noexcept {
  constexpr int directions = 12;
  double largest = 0.0;
  for (int k = 0; k < directions; ++k) {
    const double angle = std::numbers::pi * k / directions;
    const double c = std::cos(angle);
    const double s = std::sin(angle);
    const double expected = drawn.along(c, s);
    if (expected > 0.0) largest = std::max(largest, seen.along(c, s) / expected);
  }
  return largest;
}

}  // namespace

Spread compare_spread(const SpreadPixels& pixels, double x, double y, double peak,
                      double width) noexcept {
  const double narrow = 1.0 / (0.36 * std::max(width * width + 0.8, 2.0));  // 1 / (2 sigma^2)
  const Window along(pixels.x, pixels.count, x, narrow);
  const Window across(pixels.y, pixels.count, y, narrow);
  double light = 0.0, moment = 0.0, model = 0.0, model_moment = 0.0;
  double v0 = 0.0, v1 = 0.0, v2 = 0.0;
  Tensor seen, drawn;
  for (std::size_t i = 0; i < pixels.count; ++i) {
    const double dx = static_cast<double>(pixels.x[i]) - x;
    const double dy = static_cast<double>(pixels.y[i]) - y;
    const double r2 = dx * dx + dy * dy;
    const double w = along.at(pixels.x[i]) * across.at(pixels.y[i]);
    const double expected = peak * static_cast<double>(pixels.light[i]);
    const double value = static_cast<double>(pixels.value[i]);
    const double variance = w * w / static_cast<double>(pixels.weight[i]);
    light += w * value;
    moment += w * value * r2;
    model += w * expected;
    model_moment += w * expected * r2;
    seen.add(w * value, dx, dy);
    drawn.add(w * expected, dx, dy);
    v0 += variance;
    v1 += variance * r2;
    v2 += variance * r2 * r2;
  }
  Spread spread;
  if (!(light > 0.0) || !(model > 0.0)) return spread;
  spread.along = largest_ratio(seen, drawn) * model / light;
  const double t = moment / light;
  spread.ratio = t * model / model_moment;
  spread.error =
      std::sqrt(std::max(0.0, v2 - 2.0 * t * v1 + t * t * v0)) / light * model / model_moment;
  return spread;
}

}  // namespace coldframe::stars
