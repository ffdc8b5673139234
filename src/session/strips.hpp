// Going through a frame a few rows at a time, so that no whole plane need be in memory.
#pragma once

#include <algorithm>

#include "coldframe/core/image.hpp"
#include "coldframe/core/pixel_source.hpp"

namespace coldframe::session {

inline constexpr int strip_rows = 256;

/// Calls `body(band)` for full-width bands of `strip_rows` rows, in order.
template <typename Body>
void for_strips(Size size, const Body& body) {
  for (int y = 0; y < size.height; y += strip_rows) {
    body(Rect{0, y, size.width, std::min(y + strip_rows, size.height)});
  }
}

/// Calls `body(plane, band, pixels)` for every strip of every plane of `source`.
template <typename Body>
void for_pixel_strips(const PixelSource& source, const Body& body) {
  for (int p = 0; p < source.planes(); ++p) {
    for_strips(source.size(), [&](const Rect& band) {
      Grid<float> pixels(band.size());
      source.fill(p, band, pixels.view());
      body(p, band, pixels.cview());
    });
  }
}

}  // namespace coldframe::session
