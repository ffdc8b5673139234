/// \file
/// Offsets of whole rows and columns that change from frame to frame (read-out noise of the lines),
/// found in star-free pixels.
///
/// Method: cells of 64 x 64 px are clipped about their own level; each line of a cell gives the
/// mean of its clipped pixels, from which the cell's own quadratic trend is taken, so that no sky
/// gradient and no smooth light is touched. A line's offset is the median over the cells that it
/// crosses, so objects, which fill few of them, have no say. Both halves of a line are measured
/// apart: what they share is line noise, what they do not is the noise of the measurement. Nothing
/// is taken out unless the shared part is significant; offsets are shrunk by the share of the noise
/// in them (Wiener).
#pragma once

#include <functional>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::sensor {

struct LineNoise {
  double before_adu = 0.0;  ///< standard deviation of the lines' offsets
  double after_adu = 0.0;   ///< what is left of it; equal to `before` when nothing is taken out
  bool measured = false;    ///< false: the frame is too small
};

struct LineOffsets {
  std::vector<float> rows;     ///< ADU, one per row; empty: nothing to take out
  std::vector<float> columns;  ///< ADU, one per column
  LineNoise row_noise;
  LineNoise column_noise;
  [[nodiscard]] bool empty() const noexcept { return rows.empty() && columns.empty(); }
};

/// `image`: a calibrated frame with its mask (any bit: not used); `unit_per_adu(x, y)`: calibrated
/// units per ADU of raw signal there (gain over flat).
[[nodiscard]] LineOffsets measure_line_noise(
    PlaneView<const float> image, PlaneView<const std::uint8_t> mask, CfaPattern cfa,
    const std::function<double(double, double)>& unit_per_adu, Threads threads);

/// Takes the offsets of `rect`, times `multiply` (whole frame, or empty: `constant_multiply`), from
/// `values`, the calibrated pixels of `rect`.
void subtract_line_offsets(PlaneView<float> values, const Rect& rect, const LineOffsets& offsets,
                           PlaneView<const float> multiply, float constant_multiply);

}  // namespace coldframe::sensor
