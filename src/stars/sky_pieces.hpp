/// \file
/// Level and noise of the sky along one row as pieces of cubics.
#pragma once

#include <array>
#include <vector>

#include "coldframe/stars/sky_mesh.hpp"

namespace coldframe::stars {

/// Pixels x0 .. x0 + count - 1 of a row: with f = (offset + i + 0.5) / cell - 0.5 for the i-th of
/// them each value is c[0] + f (c[1] + f (c[2] + f c[3])).
struct SkyPiece {
  int x0 = 0;
  int count = 0;
  int offset = 0;  ///< from the first pixel of the cell to the left
  std::array<float, 4> level{};
  std::array<float, 4> noise{};  ///< negative values of the cubic count as 0

  [[nodiscard]] static float value(const std::array<float, 4>& c, float f) noexcept {
    return c[0] + f * (c[1] + f * (c[2] + f * c[3]));
  }
  /// For pixel i of the piece.
  [[nodiscard]] float share(int i, float per_cell) const noexcept {
    return (static_cast<float>(offset + i) + 0.5F) * per_cell - 0.5F;
  }
};

/// The pieces of row y, from left to right; `level_row` and `noise_row` in another form.
void sky_pieces(const SkyMesh& sky, int y, std::vector<SkyPiece>& pieces);

}  // namespace coldframe::stars
