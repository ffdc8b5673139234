/// \file
/// Which part of a sub lies under a rectangle of the reference.
#pragma once

#include <cmath>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::align {

/// Bounds of mapped points; a point without answer leaves them alone.
struct MappedBounds {
  double x0 = HUGE_VAL, y0 = HUGE_VAL, x1 = -HUGE_VAL, y1 = -HUGE_VAL;
  bool complete = true;

  void add(Point p) noexcept;
};

/// Bounds in the sub of the pixel centres of `destination`.
[[nodiscard]] MappedBounds mapped_bounds(const Transform& sub_to_reference,
                                         const Rect& destination);

/// Grown by `margin` and cut to the sub; the whole sub where the inverse breaks down somewhere.
[[nodiscard]] Rect region_of(const MappedBounds& bounds, double margin, Size sub) noexcept;

}  // namespace coldframe::align
