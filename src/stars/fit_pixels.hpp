/// \file
/// Which pixels a fit of one star looks at.
#pragma once

#include "stars/profile_lm.hpp"

namespace coldframe::stars {

struct FitRegion {
  PlaneView<const float> image;
  PlaneView<const std::uint8_t> mask;
  const FitSetup& setup;
  int origin_x = 0;
  int origin_y = 0;
  int radius = 8;
  double width = 3.0;  ///< of the start profile
  double scale = 1.0;  ///< noise of a sky pixel
};

/// Masked and non-finite pixels, and the red and blue ones of a mosaic, do not count.
[[nodiscard]] bool usable_pixel(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                                CfaPattern cfa, int x, int y) noexcept;

/// Fills places and values (above the setup's sky, in sky sigmas), the core's pixels first.
void gather_pixels(const FitRegion& region, FitWorkspace& work) noexcept;

}  // namespace coldframe::stars
