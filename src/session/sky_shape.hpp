// The level of a sub's sky out to the frame's edges.
#pragma once

#include "coldframe/core/chebyshev.hpp"
#include "coldframe/pipeline/measure_pass.hpp"

namespace coldframe::session {

/// The mesh is flat beyond its outermost cell centres; where two panels overlap by little more than
/// a cell, that would hide the slope of the sky. Here a smooth surface of order 2 carries the slope
/// outwards, and the mesh's differences from it are interpolated bilinearly between the cells' true
/// centres. `sky` must outlive it.
class SkyShape {
 public:
  explicit SkyShape(const pipeline::ChannelSky& sky);
  /// At sub pixels.
  [[nodiscard]] double at(Point p) const noexcept;

 private:
  [[nodiscard]] double centre(int i, int cells, int length) const noexcept;

  const pipeline::ChannelSky& sky_;
  ChebyshevSurface surface_;
  Grid<float> rest_;
};

}  // namespace coldframe::session
