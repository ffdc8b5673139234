/// \file
/// The smooth light of the sky: model and removal.
///
/// The frame is sampled in cells (clipped medians). A surface that follows the lower
/// side of the cells tells objects and their halos from the sky; they are masked with
/// room to spare. A Chebyshev surface is fitted robustly to the rest; its order is
/// chosen by leaving out blocks of the field in turn (cross-validation; Stone 1974,
/// J. R. Stat. Soc. B 36, 111) and held low when much of the field is covered, because a
/// surface free to bend under an object would take the object's light.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "coldframe/core/chebyshev.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::sky {

/// Corners in pixels, in order; closed by itself.
using Polygon = std::vector<Point>;

struct GradientOptions {
  int max_order = 3;          ///< highest total degree tried, 0..6
  int bin_px = 32;            ///< cells in which the sky is sampled; smaller ones in small frames
  double object_sigma = 2.0;  ///< edge of objects in the smoothed, binned picture
  int grow_cells = 2;         ///< room around objects, cells; large ones get more
  double min_coverage =
      0.5;  ///< cells with less than this share of the largest weight are left out
  std::vector<Polygon> protect;  ///< the owner's: an object lies here, whatever it looks like
  std::vector<Polygon> sample;   ///< the owner's: this is sky, whatever it looks like
  /// All faults in words; empty when usable.
  [[nodiscard]] std::vector<std::string> faults() const;
};

enum class GradientStatus {
  fitted,
  level_only,  ///< too little free sky for a gradient: only a constant was fitted
  declined     ///< hardly any free sky (an object fills the field): nothing is removed
};

/// What was fitted; nothing to subtract (zero everywhere) when declined.
struct GradientModel {
  GradientStatus status = GradientStatus::declined;
  ChebyshevSurface surface;     ///< order 0 when only a level was fitted
  double free_sky_share = 0.0;  ///< of the cells with data, those that no object covers
  double residual_rms = 0.0;    ///< of free cells about the model, robust
  double cell_noise = 0.0;      ///< from differences of neighbouring cells
  std::size_t free_cells = 0;
  /// What such a fit takes of the light of such an object: the object as it was found is put upon
  /// the sky as it was fitted, with the cells' noise, and all is done again; the mean over a few
  /// draws of (light that the new model holds under the object) / (light put in). Unset without
  /// an object. It cannot know of light below every threshold.
  std::optional<double> taken_share;
  std::vector<char> covered;  ///< by cell, row by row: an object lies there
  void row(int y, std::span<float> out) const noexcept { surface.evaluate_row(0, y, out); }
  [[nodiscard]] double at(double x, double y) const noexcept { return surface.evaluate({x, y}); }
};

/// One plane; NaN and masked pixels (non-zero in `mask`) do not count; `mask` and `weight`
/// may be empty. Throws Error(usage) on bad options or sizes that differ.
[[nodiscard]] GradientModel fit_gradient(PlaneView<const float> image,
                                         PlaneView<const std::uint8_t> mask,
                                         PlaneView<const float> weight,
                                         const GradientOptions& options, Threads threads);

/// The same for a plane whose objects are known from another colour of the same field: `guide`,
/// a fitted model of that colour, lends its free cells and its order.
[[nodiscard]] GradientModel fit_gradient_like(const GradientModel& guide,
                                              PlaneView<const float> image,
                                              PlaneView<const std::uint8_t> mask,
                                              PlaneView<const float> weight,
                                              const GradientOptions& options, Threads threads);

}  // namespace coldframe::sky
