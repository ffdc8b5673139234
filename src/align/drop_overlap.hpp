/// \file
/// Exact overlap of a parallelogram with the pixels of a grid.
#pragma once

#include <array>
#include <vector>

#include "coldframe/core/geometry.hpp"

namespace coldframe::align {

/// A drop on the output grid: its centre and the images of its sides.
struct DropShape {
  Point centre;
  Point side_x, side_y;  ///< vectors of the sides that ran along x and y
};

/// Areas shared with the pixels of `box`, row after row.
struct DropAreas {
  Rect box;
  std::vector<double> area;  ///< at least box.count() elements; grows, never shrinks
};

/// Signed areas below the edges, cell by cell, then summed along each row: exact up to rounding.
/// Pixel (i, j) is the unit square about (i, j). False when the drop is not finite or larger than
/// `most_pixels` on a side.
[[nodiscard]] bool overlap_areas(const DropShape& drop, DropAreas& out);

}  // namespace coldframe::align
