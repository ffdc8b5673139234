// Noise of a plane as its rows tell it.
#pragma once

#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::view {

/// An estimate that is blind to smooth light, of about `rows` rows spread over the plane; pixels
/// that are no number are passed over, rows without an estimate left out.
[[nodiscard]] std::vector<double> row_noises(PlaneView<const float> plane, int rows);

}  // namespace coldframe::view
