/// \file
/// Columns and rows of a dark that stand out from their neighbours.
#pragma once

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::sensor {

struct LineLimits {
  double kappa = 8.0;      ///< in robust standard deviations of the lines' deviations
  double least_adu = 0.0;  ///< smaller deviations hurt no light
  int step = 1;            ///< lines of one colour are this far apart
};

/// Marks mask_bit::defect on segments (128 pixels long) of columns, or of rows when
/// `rows`, whose median deviates. Returns the number of lines with a marked segment.
int mark_line_defects(PlaneView<const float> dark, bool rows, const LineLimits& limits,
                      PlaneView<std::uint8_t> mask, Threads threads);

}  // namespace coldframe::sensor
