/// \file
/// Dust that is not where the flats saw it.
#pragma once

#include <optional>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

struct DustMotion {
  int spots = 0;            ///< shadows of dust that the flat shows well enough to be judged
  int moved = 0;            ///< of these: the calibrated sky shows the negative of the shadow
  double depth = 0.0;       ///< usual depth of the moved shadows, share of the light
  double left = 0.0;        ///< share of it that is missing in the lights (1: all of it)
  std::optional<Point> by;  ///< where the lights have these shadows, map pixels from the flat's
  /// Several shadows agree.
  [[nodiscard]] bool significant() const noexcept;
};

/// `flat`: relative response; `sky`: calibrated sky over its level, less 1, of many lights (NaN:
/// nothing known). Both on one grid of sensor pixels or cells of them; dust of some pixels to some
/// tens of pixels is looked at. Every shadow is compared with the sky at its place and, for the
/// error, at many places about it, so that stars and nebulae that stay count as noise.
/// Without shadows in the flat: spots = 0.
[[nodiscard]] DustMotion compare_dust(PlaneView<const float> flat, PlaneView<const float> sky);

}  // namespace coldframe::sensor
