#include "result_stars.hpp"

#include <cmath>

namespace coldframe::session {

stars::FrameMeasurement measure_result(Grid<float> image, double electrons_per_unit,
                                       Threads threads) {
  Mask mask(image.size());
  for (int y = 0; y < image.height(); ++y) {
    for (int x = 0; x < image.width(); ++x) {
      if (std::isfinite(image(x, y))) continue;
      image(x, y) = 0.0F;
      mask(x, y) = mask_bit::outside;
    }
  }
  stars::MeasureOptions options;
  options.gain_e_per_unit = electrons_per_unit;
  return stars::measure_frame(image.cview(), mask.cview(), options, threads);
}

}  // namespace coldframe::session
