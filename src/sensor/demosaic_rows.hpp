// What the demosaicing methods share: the mirrored neighbourhood of a band and the
// roles of the colours along a row.
#pragma once

#include "coldframe/sensor/demosaic.hpp"

namespace coldframe::sensor {

/// A target with pixels around it, mirrored at the frame's edge.
struct Padded {
  Rect target;
  int margin = 0;
  Grid<float> values;
  Mask mask;
  /// Pointers to target row `y` (relative, may be negative), pixel 0 of the target.
  [[nodiscard]] const float* row(int y) const { return values.row(y + margin).data() + margin; }
  [[nodiscard]] const std::uint8_t* bits(int y) const {
    return mask.row(y + margin).data() + margin;
  }
};

/// Bits of samples that hold no light to interpolate.
inline constexpr unsigned spoilt_bits =
    mask_bit::saturated | mask_bit::cosmic_ray | mask_bit::not_finite;

/// Three planes of one size.
struct ColourPlanes {
  explicit ColourPlanes(Size size)
      : plane{Grid<float>(size), Grid<float>(size), Grid<float>(size)} {}
  Grid<float> plane[3];
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

/// Each colour on its own lattice (Demosaic::own_lattice), all rows of the target. Reads
/// `lattice_reach` pixels around it.
inline constexpr int lattice_reach = 5;
void own_lattice(const Padded& padded, CfaPattern pattern, PlaneView<float> planes[3]);
/// The same with squared weights: variances from variances; nothing is calmed.
void own_lattice_variance(const Padded& padded, CfaPattern pattern, PlaneView<float> planes[3]);
[[nodiscard]] DemosaicNoise lattice_noise() noexcept;

/// Green at every pixel of the target. Reads 2 pixels around it.
void gradient_corrected_green(const Padded& padded, CfaPattern pattern, PlaneView<float> green);
/// The same by directional LMMSE. Reads 10 pixels around it.
void lmmse_green(const Padded& padded, CfaPattern pattern, const SampleNoise& noise,
                 PlaneView<float> green);

/// An adaptive method within what each colour's own lattice says (see Demosaic): all rows of the
/// target.
void adaptive(const Padded& padded, CfaPattern pattern, Demosaic method, const SampleNoise& noise,
              PlaneView<float> planes[3]);

}  // namespace coldframe::sensor
