/// \file
/// Light that reaches the sensor in one sub.
#pragma once

#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/sim/render.hpp"
#include "coldframe/sim/scene.hpp"
#include "sim/galaxy.hpp"

namespace coldframe::sim {

/// Factors of red, green and blue (or of the one filter) for the pixels of the 2x2 cell
/// (x & 1) + 2 (y & 1).
struct CellWeights {
  double value[4] = {1, 1, 1, 1};
};
/// A mosaic sees each colour through its own filter; behind filters named R, G, B a
/// monochrome sensor sees that colour; any other filter sees all light alike.
[[nodiscard]] CellWeights cell_weights(const SensorScene& sensor, const std::string& filter,
                                       const double (&colour)[3]) noexcept;

/// Sky of one sub: a level and its slopes per pixel, in electrons.
struct SkyPlane {
  double centre_e = 0.0, per_x = 0.0, per_y = 0.0;
};
/// `phase` in [0, 1] is the sub's place in the session.
[[nodiscard]] SkyPlane sky_plane(const Scene& scene, const SubScene& sub, double phase) noexcept;

/// Expected electrons before the sensor's response: sky, stars, galaxy.
[[nodiscard]] Grid<float> light_on_sensor(const Scene& scene, const SubScene& sub, double phase,
                                          const std::vector<TrueStar>& stars, const Galaxy& galaxy,
                                          Threads threads);

/// Trails of a sub, from its own random stream.
[[nodiscard]] std::vector<TrueTrail> make_trails(const Scene& scene, const SubScene& sub,
                                                 int index);
/// Adds a trail to rows [y0, y1).
void add_trail(PlaneView<float> pixels, int y0, int y1, const TrueTrail& trail) noexcept;

}  // namespace coldframe::sim
