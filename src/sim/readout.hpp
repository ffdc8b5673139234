/// \file
/// From expected electrons to the codes of the converter.
#pragma once

#include <cstdint>

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/sim/scene.hpp"
#include "sim/sensor_maps.hpp"

namespace coldframe::sim {

/// One exposure's own circumstances.
struct Exposure {
  std::uint32_t frame = 0;  ///< number that names the random streams
  double exposure_s = 0.0;
  double cosmic_rays = 0.0;  ///< mean number
};

/// Highest code the converter gives (before the shift).
[[nodiscard]] int highest_code(const SensorScene& sensor) noexcept;

/// Turns expected photo-electrons (after the sensor's response; consumed) into stored
/// codes: dark current, glow, photon noise, cosmic rays, full well, bias, read noise.
[[nodiscard]] Grid<std::uint16_t> read_out(const Scene& scene, const SensorMaps& maps,
                                           const Exposure& exposure, Grid<float> electrons,
                                           Threads threads);

}  // namespace coldframe::sim
