/// \file
/// The sky mesh once the stars' light is known.
#pragma once

#include "coldframe/stars/sky_mesh.hpp"

namespace coldframe::stars {

/// As measure_sky, with `light` (the image's size; may be null) taken away first.
[[nodiscard]] SkyMesh measure_sky_without(PlaneView<const float> image,
                                          PlaneView<const std::uint8_t> mask,
                                          const Grid<float>* light, const SkyMeshOptions& options,
                                          Threads threads);

}  // namespace coldframe::stars
