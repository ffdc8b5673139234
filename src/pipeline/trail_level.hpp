/// \file
/// Registered previews brought to one sky before they are compared.
#pragma once

#include <vector>

#include "coldframe/core/chebyshev.hpp"
#include "coldframe/core/parallel.hpp"
#include "trail_preview.hpp"

namespace coldframe::pipeline::detail {

/// Per member the smooth surface of its difference to the middle one (empty for that one itself,
/// and where too little is seen by both); it goes on where only one of the two sees the sky. A
/// median of skies that slope differently has a step wherever a member ends, and every sub compared
/// with it shows a line there.
[[nodiscard]] std::vector<ChebyshevSurface> sky_differences(const std::vector<Picture>& members,
                                                            Threads threads);

void subtract(const ChebyshevSurface& surface, Grid<float>& values);

}  // namespace coldframe::pipeline::detail
