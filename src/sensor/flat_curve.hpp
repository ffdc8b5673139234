/// \file
/// Does the response bend in a set of flats? Asked of the flats alone.
///
/// A response R(s) = s (1 - bend s / s_top) flattens vignetting, the more so the brighter the flat:
/// the shape changes with the level. And it swallows noise: the variance grows as R'(s)^2 s, which
/// is s (1 - 4 bend s / s_top) for a small bend (Janesick 2007, "Photon Transfer", chapter on
/// non-linearity).
#pragma once

#include <array>
#include <string>

#include "sensor/frame_samples.hpp"

namespace coldframe::sensor {

struct FlatCurve {
  bool bent = false;
  double bend = 0.0;  ///< share that is missing at the brightest level
  double error = 0.0;
  std::string text;                                       ///< what, how large, what to do
  double top = 0.0;                                       ///< the brightest level, ADU
  std::array<double, shape_cells * shape_cells> usual{};  ///< shape of the flats

  /// By what a cell of a flat of this level differs from the usual shape because of the bend.
  [[nodiscard]] double factor(double level, std::size_t cell) const noexcept {
    return bent && top > 0.0 ? 1.0 + bend * level / top * (1.0 - usual[cell]) : 1.0;
  }
};

/// Bent when the response falls short by more than 1% (seen in the shapes of flats of several
/// levels) or 5% (seen in the noise of flats above a fifth of `saturation_adu`), at five errors.
[[nodiscard]] FlatCurve flat_curve(const FrameSamples& samples, double saturation_adu);

}  // namespace coldframe::sensor
