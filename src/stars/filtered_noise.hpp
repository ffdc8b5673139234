/// \file
/// Level and noise of empty sky in a filtered image, from the image itself.
#pragma once

#include "coldframe/core/image.hpp"

namespace coldframe::stars {

/// In units of the noise expected from the kernel.
struct FilteredNoise {
  double zero = 0.0;  ///< level of empty sky
  double sigma = 1.0;
};

/// From a fixed sample of the pixels. Values of exactly zero (no signal there) are left out; a
/// frame without a usable distribution gives {0, 1}.
[[nodiscard]] FilteredNoise measured_noise(const Grid<float>& values);

}  // namespace coldframe::stars
