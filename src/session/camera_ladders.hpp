// From measured pairs to the levels of dark and light series.
#pragma once

#include <vector>

#include "camera_groups.hpp"
#include "coldframe/session/camera.hpp"

namespace coldframe::session {

using PairsByGroup = std::vector<std::vector<sensor::PairBlocks>>;

[[nodiscard]] std::vector<sensor::DarkLevel> dark_levels(const Inventory& inventory,
                                                         const std::vector<FrameGroup>& groups,
                                                         const PairsByGroup& darks);

/// Levels of the filter with most exposures, over the blocks that are usable at all of them.
[[nodiscard]] std::vector<sensor::LightLevel> light_levels(const std::vector<FrameGroup>& groups,
                                                           const PairsByGroup& flats);

void find_hot_pixels(const std::vector<FrameGroup>& groups, const PairsByGroup& darks,
                     CameraMeasurement& camera);

}  // namespace coldframe::session
