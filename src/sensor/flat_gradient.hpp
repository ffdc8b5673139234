/// \file
/// The plane that a bright sky lays over a flat.
#pragma once

#include <string>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// Divides a plane in brightness out of a flat (any level), each colour by its own, and scales the
/// variance. Fitted to the logarithm of cell medians beside even terms up to the fourth order,
/// which hold centred vignetting; dust is left out as an outlier. Returns what was taken out, in
/// words; "" when the flat is too small for a fit.
[[nodiscard]] std::string remove_plane(Grid<float>& value, Grid<float>& variance, const Mask& mask,
                                       CfaPattern cfa);

}  // namespace coldframe::sensor
