/// \file
/// How spread the light of a source is against its model.
#pragma once

#include <cstddef>

namespace coldframe::stars {

struct Spread {
  double ratio = 1.0;  ///< second moment of the data over that of the model
  double error = 0.0;  ///< 0 = unknown
  double along = 1.0;  ///< the same ratio in the direction where it is largest
};

/// Pixels of one source; values above sky and neighbours, `light` the model of peak 1.
struct SpreadPixels {
  const float* x;
  const float* y;
  const float* value;
  const float* light;
  const float* weight;  ///< inverse variance
  std::size_t count;
};

/// Both moments within the same Gaussian window about (x, y), as wide as a profile of `width`.
[[nodiscard]] Spread compare_spread(const SpreadPixels& pixels, double x, double y, double peak,
                                    double width) noexcept;

}  // namespace coldframe::stars
