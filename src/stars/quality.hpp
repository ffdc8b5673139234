/// \file
/// One line of figures on a frame from its sources.
#pragma once

#include <vector>

#include "coldframe/stars/measure.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {

[[nodiscard]] FrameQuality frame_quality(const std::vector<Source>& sources, const SkyMesh& sky,
                                         const FieldProfile& profile);

}  // namespace coldframe::stars
