#include "result_stars.hpp"

#include <cmath>
#include <utility>

namespace coldframe::session {

stars::FrameMeasurement measure_result(Grid<float> image, Mask flags, double electrons_per_unit,
                                       Threads threads, double threshold_sigma) {
  Mask mask = std::move(flags);
  for (int y = 0; y < image.height(); ++y) {
    for (int x = 0; x < image.width(); ++x) {
      // What every sub saturates is saturated here too; all else that has a value counts.
      mask(x, y) &= mask_bit::saturated;
      if (std::isfinite(image(x, y))) continue;
      image(x, y) = 0.0F;
      mask(x, y) = mask_bit::outside;
    }
  }
  stars::MeasureOptions options;
  options.gain_e_per_unit = electrons_per_unit;
  options.threshold_sigma = threshold_sigma;
  return stars::measure_frame(image.cview(), mask.cview(), options, threads);
}

}  // namespace coldframe::session
