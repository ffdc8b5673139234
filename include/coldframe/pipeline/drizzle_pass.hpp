/// \file
/// Drizzle of a whole result (Fruchter & Hook 2002): after an ordinary combination, whose
/// result tells outliers, every kept sub's pixels are dropped on a finer grid; a mosaic's without
/// demosaicing. One more pass over the raw files.
///
/// A sample is left out when it lies under a trail, is a defect, or differs from the ordinary
/// result at its place by more than kappa times its predicted noise plus `gradient_share` of the
/// result's steepest step there (stars differ between subs by seeing and sampling).
#pragma once

#include <array>
#include <functional>
#include <span>

#include "coldframe/align/drizzle.hpp"
#include "coldframe/pipeline/combine_pass.hpp"

namespace coldframe::pipeline {

/// The subs' `transform`, `surfaces` and `trails` are those of the ordinary result.
struct DrizzleSettings {
  Size canvas;                   ///< output grid
  int planes = 1;                ///< of the output: 1 or 3
  Transform ordinary_to_output;  ///< ordinary result's pixels -> output pixels; affine
  align::DrizzleOptions drizzle;
  const PixelSource* ordinary = nullptr;  ///< with as many planes
  double kappa_low = 5.0;
  double kappa_high = 5.0;
  double gradient_share = 1.0;
};

struct DrizzleTotals {
  std::array<double, 3> empty_share{};  ///< of pixels within the subs' field that no drop reached
  /// Scatter of the weight within blocks of 32 pixels over its mean: 0 for even coverage.
  std::array<double, 3> unevenness{};
  double left_out_share = 0.0;  ///< of all samples, as outliers or under trails
};

/// Strips come in order of rows, plane by plane. `clipped` counts samples whose drop's centre fell
/// into the pixel. Throws what the sources throw.
[[nodiscard]] DrizzleTotals drizzle_subs(std::span<const CombineSub> subs,
                                         const DrizzleSettings& settings, Threads threads,
                                         const Watch& watch,
                                         const std::function<void(const ResultStrip&)>& write);

/// Bytes that `drizzle_subs` holds at once.
[[nodiscard]] std::size_t drizzle_bytes(Size canvas, int planes, double output_scale, int threads);

}  // namespace coldframe::pipeline
