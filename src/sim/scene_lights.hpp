/// \file
/// Compact description of lights and its expansion to one SubScene each.
#pragma once

#include "coldframe/sim/scene.hpp"
#include "sim/scene_reader.hpp"

namespace coldframe::sim {

/// Reads the value of "lights" (one group or a list of groups) into `scene.lights`. Random
/// seeing, dithers and transparencies come from the scene's seed.
void read_lights(const Json& value, const std::string& file, Scene& scene);

}  // namespace coldframe::sim
