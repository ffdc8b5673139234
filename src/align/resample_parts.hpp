/// \file
/// The pieces of `resample`: one job description and the methods that may do it.
#pragma once

#include <array>
#include <cstdint>

#include "align/inverse_grid.hpp"
#include "align/tap_mask.hpp"
#include "coldframe/align/kernel_weights.hpp"
#include "coldframe/align/resample.hpp"

namespace coldframe::align {

struct ResampleJob {
  PlaneView<const float> source;
  PlaneView<const std::uint8_t> source_mask;
  Rect region;  ///< what `source` holds, in the sub's frame
  Size sub;
  Rect destination;
  PlaneView<float> values;
  PlaneView<std::uint8_t> mask;
  ResampleOptions options;
};

/// Positions up to this far beyond the outermost pixel centres still count as inside:
/// rounding of a transform must not cost a row.
inline constexpr double edge_slack = 1e-6;

[[nodiscard]] inline bool inside(double sx, double sy, Size sub) noexcept {
  // False for NaN.
  return sx >= -edge_slack && sy >= -edge_slack && sx <= sub.width - 1 + edge_slack &&
         sy <= sub.height - 1 + edge_slack;
}

/// Source pixels per destination pixel along one axis, at a source point.
[[nodiscard]] double source_scale(const Transform& sub_to_reference, Point source) noexcept;
/// The factor by which the kernel is stretched: 1, or the scale above `stretch_threshold`.
[[nodiscard]] double stretch_factor(const Transform& sub_to_reference, Point source) noexcept;

/// A pixel some of whose taps lie outside the frame: they are left out and the weights
/// of the others normalised to sum 1. (cx, cy): floor of the position, in `source`.
[[nodiscard]] float edge_pixel(const ResampleJob& job, int cx, int cy, float ux, float uy) noexcept;

/// Any transform, kernel at its natural width.
void resample_general(const ResampleJob& job, const Transform& sub_to_reference);
/// Any transform, kernel stretched by `factor` > 1.
void resample_stretched(const ResampleJob& job, const Transform& sub_to_reference, double factor);

}  // namespace coldframe::align
