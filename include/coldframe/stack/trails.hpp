/// \file
/// Straight trails (satellites, aircraft, meteors) in a residual picture.
///
/// Matched line integrals over all angles and offsets (Radon 1917; fast
/// two-dimensional form after Nir, Zackay & Ofek 2018, AJ 156, 229), then the
/// segment's ends and width. Significance of a uniform trail of peak A,
/// cross-section sigma_w and length L in white noise sigma_n:
/// A sqrt(sqrt(pi) sigma_w L) / sigma_n.
#pragma once

#include <span>
#include <string_view>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::stack {

/// Light all along, or dashes and flashes (tumbling satellites, aircraft).
enum class TrailKind { continuous, interrupted };

[[nodiscard]] std::string_view to_string(TrailKind kind) noexcept;

/// A segment in the coordinates of the searched picture. Its flux lies within width_px across.
struct Trail {
  double x1 = 0.0;
  double y1 = 0.0;
  double x2 = 0.0;
  double y2 = 0.0;
  double width_px = 0.0;      ///< full width to mask, wings included
  double significance = 0.0;  ///< matched signal to noise over the whole line
  double brightness = 0.0;    ///< mean peak, in units of the noise of one picture pixel
  double core_px = 0.0;       ///< full width at half maximum of its cross-section
  TrailKind kind = TrailKind::continuous;
};

inline constexpr double per_fixed_end = 0.65;

struct TrailOptions {
  /// For a segment with both ends in the midst of a picture of 600 x 400 pixels; each end at the
  /// border lowers it by `per_fixed_end`, larger pictures raise it a little: more lines have
  /// more chances to be high by accident. The default gives fewer than one false trail in
  /// 200 pictures of white noise (measured).
  double min_significance = 7.3;
  double min_length_px = 60.0;  ///< picture pixels; two thirds of it when bright:
  double short_significance = 12.0;
  int max_trails = 100;
  /// Wings are masked out to where their mean light falls under this, in noise of a picture pixel
  /// (or is no longer seen).
  double faintest_wing = 0.1;
};

/// `residual` = picture minus model of the sky, in units of its own noise per
/// pixel (white to a good approximation); masked pixels (stars, edges, no
/// data) do not count.
[[nodiscard]] std::vector<Trail> find_trails(PlaneView<const float> residual,
                                             PlaneView<const std::uint8_t> mask,
                                             const TrailOptions& options);

/// Sets mask_bit::trail on every pixel of `tile` within half the width of a segment
/// (segment in the same absolute coordinates as the tile).
void mask_trails(std::span<const Trail> trails, const Rect& tile, PlaneView<std::uint8_t> mask);

}  // namespace coldframe::stack
