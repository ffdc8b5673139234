/// \file
/// Where pixels come from: the middle layers ask for rectangles and never know
/// whether a file, a cache or a simulation answers.
#pragma once

#include <cstdint>

#include "coldframe/core/image.hpp"

namespace coldframe {

/// A frame that can fill rectangles. `fill` may be called from several threads at once.
class PixelSource {
 public:
  virtual ~PixelSource() = default;
  [[nodiscard]] virtual Size size() const noexcept = 0;
  [[nodiscard]] virtual int planes() const noexcept = 0;
  /// Writes plane `plane` of `rect` (inside the frame) to `values`, whose size
  /// is the rectangle's. Pixels without a number (NaN, BLANK) come as NaN.
  /// Throws coldframe::Error (input, io).
  virtual void fill(int plane, const Rect& rect, PlaneView<float> values) const = 0;
};

}  // namespace coldframe
