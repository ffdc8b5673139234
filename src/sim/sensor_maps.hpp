/// \file
/// What the sensor and the dust on it do to every frame alike.
#pragma once

#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/sim/render.hpp"
#include "coldframe/sim/scene.hpp"

namespace coldframe::sim {

struct SensorMaps {
  Grid<float> light_response;  ///< vignetting x dust x pixel response, 1 at the centre
  Grid<float>
      flat_response;      ///< the same with the dust where it lay for the flats; empty when alike
  Grid<float> dark_rate;  ///< e/s, hot pixels included
  std::vector<float> bias_column_adu;
  double bias_slope_adu = 0.0;  ///< from the first to the last row
  std::vector<HotPixel> hot;
  std::vector<HotPixel> cold;
  std::vector<HotPixel> telegraph;
  std::vector<float> glow_x, glow_y;  ///< amplifier glow is glow_x[x] * glow_y[y]

  [[nodiscard]] const Grid<float>& response(FrameKind kind) const noexcept {
    return kind == FrameKind::flat && !flat_response.empty() ? flat_response : light_response;
  }
};

[[nodiscard]] SensorMaps make_sensor_maps(const Scene& scene, Threads threads);

}  // namespace coldframe::sim
