/// \file
/// One line of figures on a frame from its sources.
#pragma once

#include <vector>

#include "coldframe/stars/measure.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {

/// Width and shape are those of the half-maximum contour where the stars are bright enough for it
/// (recorded_contour.hpp), else of the fits.
[[nodiscard]] FrameQuality frame_quality(const DetectionFrame& frame,
                                         const std::vector<Source>& sources,
                                         const FieldProfile& profile);

}  // namespace coldframe::stars
