/// \file
/// Interface of a celestial coordinate solution; the one with WCSLIB behind it lives in `sky`.
#pragma once

#include <optional>

#include "coldframe/core/geometry.hpp"

namespace coldframe {

/// J2000 position in degrees.
struct SkyPoint {
  double ra_deg = 0.0;
  double dec_deg = 0.0;
};

/// Pixel (0-based) to sky and back. Unset where the projection has no answer.
class SkyProjection {
 public:
  virtual ~SkyProjection() = default;
  [[nodiscard]] virtual std::optional<SkyPoint> to_sky(Point pixel) const = 0;
  [[nodiscard]] virtual std::optional<Point> to_pixel(SkyPoint sky) const = 0;
};

}  // namespace coldframe
