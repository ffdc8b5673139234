/// \file
/// Points, sizes and half-open rectangles in pixel coordinates.
///
/// Convention everywhere in the library: 0-based, pixel centres at integers,
/// x to the right, y up in FITS row order. FITS's 1-based numbers exist only at
/// the file boundary.
#pragma once

#include <algorithm>
#include <cstdint>

namespace coldframe {

/// A position in pixels (see the convention above).
struct Point {
  double x = 0.0;
  double y = 0.0;
};

/// Width and height in pixels.
struct Size {
  int width = 0;
  int height = 0;
  [[nodiscard]] std::int64_t count() const noexcept {
    return std::int64_t{width} * std::int64_t{height};
  }
  friend bool operator==(const Size&, const Size&) = default;
};

/// Half-open rectangle: x0 <= x < x1, y0 <= y < y1. Empty when a side is <= 0.
struct Rect {
  int x0 = 0;
  int y0 = 0;
  int x1 = 0;
  int y1 = 0;

  [[nodiscard]] int width() const noexcept { return x1 - x0; }
  [[nodiscard]] int height() const noexcept { return y1 - y0; }
  [[nodiscard]] bool empty() const noexcept { return x1 <= x0 || y1 <= y0; }
  [[nodiscard]] Size size() const noexcept { return {width(), height()}; }
  [[nodiscard]] std::int64_t count() const noexcept { return empty() ? 0 : size().count(); }
  [[nodiscard]] bool contains(int x, int y) const noexcept {
    return x >= x0 && x < x1 && y >= y0 && y < y1;
  }
  [[nodiscard]] bool contains(const Rect& other) const noexcept {
    return other.x0 >= x0 && other.x1 <= x1 && other.y0 >= y0 && other.y1 <= y1;
  }
  /// The common part; empty when there is none.
  [[nodiscard]] Rect intersect(const Rect& other) const noexcept {
    return {std::max(x0, other.x0), std::max(y0, other.y0), std::min(x1, other.x1),
            std::min(y1, other.y1)};
  }
  /// Grown by `margin` pixels on every side (shrunk when negative).
  [[nodiscard]] Rect expand(int margin) const noexcept {
    return {x0 - margin, y0 - margin, x1 + margin, y1 + margin};
  }
  friend bool operator==(const Rect&, const Rect&) = default;
};

/// The rectangle of a whole frame.
[[nodiscard]] inline Rect whole(Size size) noexcept { return {0, 0, size.width, size.height}; }

}  // namespace coldframe
