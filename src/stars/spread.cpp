#include "stars/spread.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::stars {

Spread compare_spread(const SpreadPixels& pixels, double x, double y, double peak,
                      double width) noexcept {
  const double narrow = 1.0 / (0.36 * std::max(width * width + 0.8, 2.0));  // 1 / (2 sigma^2)
  double light = 0.0, moment = 0.0, model = 0.0, model_moment = 0.0;
  double v0 = 0.0, v1 = 0.0, v2 = 0.0;
  for (std::size_t i = 0; i < pixels.count; ++i) {
    const double dx = static_cast<double>(pixels.x[i]) - x;
    const double dy = static_cast<double>(pixels.y[i]) - y;
    const double r2 = dx * dx + dy * dy;
    const double w = std::exp(-narrow * r2);
    const double expected = peak * static_cast<double>(pixels.light[i]);
    const double value = static_cast<double>(pixels.value[i]);
    const double variance = w * w / static_cast<double>(pixels.weight[i]);
    light += w * value;
    moment += w * value * r2;
    model += w * expected;
    model_moment += w * expected * r2;
    v0 += variance;
    v1 += variance * r2;
    v2 += variance * r2 * r2;
  }
  Spread spread;
  if (!(light > 0.0) || !(model > 0.0)) return spread;
  const double t = moment / light;
  spread.ratio = t * model / model_moment;
  spread.error =
      std::sqrt(std::max(0.0, v2 - 2.0 * t * v1 + t * t * v0)) / light * model / model_moment;
  return spread;
}

}  // namespace coldframe::stars
