// What the demosaicing methods share: the mirrored neighbourhood of a band and the
// roles of the colours along a row.
#pragma once

#include "coldframe/sensor/calibrate.hpp"

namespace coldframe::sensor {

/// The target with `demosaic_margin` pixels around it, mirrored at the frame's edge.
struct Padded {
  Rect target;
  Grid<float> values;
  Mask mask;
  /// Pointers to target row `y` (relative, may be negative), pixel 0 of the target.
  [[nodiscard]] const float* row(int y) const {
    return values.row(y + demosaic_margin).data() + demosaic_margin;
  }
  [[nodiscard]] const std::uint8_t* bits(int y) const {
    return mask.row(y + demosaic_margin).data() + demosaic_margin;
  }
};

/// Colours of one row: `chroma` (red or blue) stands where (x & 1) == parity (x relative to the
/// target).
struct RowColours {
  int chroma;
  int other;
  unsigned parity;
};

[[nodiscard]] inline RowColours row_colours(CfaPattern pattern, const Rect& target, int y) {
  const int first = cfa_colour(pattern, target.x0, target.y0 + y);
  const int second = cfa_colour(pattern, target.x0 + 1, target.y0 + y);
  const bool green_first = first == 1;
  const int chroma = green_first ? second : first;
  return {chroma, 2 - chroma, green_first ? 1U : 0U};
}

struct OutputRows {
  float* chroma;
  float* green;
  float* other;
};

[[nodiscard]] inline OutputRows output_rows(PlaneView<float> planes[3], const RowColours& colours,
                                            int y) {
  return {planes[colours.chroma].row(y).data(), planes[1].row(y).data(),
          planes[colours.other].row(y).data()};
}

/// Each colour on its own lattice (Demosaic::own_lattice), all rows of the target.
void own_lattice(const Padded& padded, CfaPattern pattern, PlaneView<float> planes[3]);
[[nodiscard]] DemosaicNoise lattice_noise() noexcept;

}  // namespace coldframe::sensor
