/// \file
/// The smooth light of the sky: model and removal.
///
/// Objects and their halos are found on a smoothed, binned picture and masked;
/// a Chebyshev surface, order chosen by cross-validation, is fitted robustly to the rest.
#pragma once

#include <span>
#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::sky {

struct GradientOptions {
  int max_order = 3;          ///< highest total degree tried
  int bin_px = 32;            ///< cells in which the sky is sampled
  double object_sigma = 2.0;  ///< threshold for objects in the smoothed, binned picture
  int grow_cells = 2;         ///< halo around objects, cells
  double min_coverage = 0.5;  ///< cells with less than this share of the largest weight are left out
};

enum class GradientStatus {
  fitted,
  level_only,  ///< too little free sky for a gradient: only a constant was fitted
  declined     ///< hardly any free sky (an object fills the field): nothing is removed
};

/// Chebyshev T_i(u) T_j(v), i + j <= order, u, v in [-1, 1] over the frame; by
/// total degree, within it by falling degree of u.
struct GradientModel {
  GradientStatus status = GradientStatus::declined;
  Size frame;
  int order = 0;
  std::vector<double> coefficients;
  double free_sky_share = 0.0;
  double residual_rms = 0.0;  ///< of cells about the model
  void row(int y, std::span<float> out) const noexcept;
  [[nodiscard]] double at(double x, double y) const noexcept;
};

/// One plane; NaN and masked pixels (non-zero in `mask`) do not count; `weight` may be empty.
[[nodiscard]] GradientModel fit_gradient(PlaneView<const float> image,
                                         PlaneView<const std::uint8_t> mask,
                                         PlaneView<const float> weight,
                                         const GradientOptions& options, Threads threads);

}  // namespace coldframe::sky
