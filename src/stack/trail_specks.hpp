/// \file
/// Bright spots too small to be pieces of a trail: particle hits and what stars leave behind.
#pragma once

#include <cstdint>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::stack::detail {

struct SpeckPixel {
  int x = 0;
  int y = 0;
};

/// Their pixels, row by row. `residual` in units of its noise; masked pixels do not count.
[[nodiscard]] std::vector<SpeckPixel> find_specks(PlaneView<const float> residual,
                                                  PlaneView<const std::uint8_t> mask);

}  // namespace coldframe::stack::detail
