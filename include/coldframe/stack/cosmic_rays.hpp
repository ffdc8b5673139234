/// \file
/// Particles in a single frame, by the sharpness of their edges: Laplacian edge detection
/// (van Dokkum 2001, PASP 113, 1420). For sessions of a few subs, where no rule can tell by
/// comparison.
///
/// With L the mean over a pixel's quarters of the positive part of the Laplacian
/// [0 -1 0; -1 4 -1; 0 -1 0] of the image doubled by replication (a lone pixel of height h has
/// L = 2 h), N the noise at the level of the 5 x 5 median, S = L / (2 N), S' = S - median5x5(S),
/// F = median3x3 - median7x7(median3x3): a pixel is hit when S' > sigma and
/// L > contrast * (F + 4 sd of F). Ours, against eating stars: the sd of F (its noise lets faint
/// undersampled stars pass for particles), F at least half of what median3x3 stands above the sky
/// (crowds), and a limit that follows the width of stars. Neighbours with S' > sigma, then theirs
/// with S' > neighbour_share * sigma, are taken too where L > contrast * F; hit pixels are replaced
/// by the median of their good neighbours and the search is repeated.
#pragma once

#include <functional>
#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::stack {

struct CosmicRayOptions {
  double sigma = 5.0;
  double neighbour_share = 0.3;
  double fwhm_px = 3.0;  ///< of stars as recorded; sets the contrast
  int max_passes = 4;
};

/// Least L / F: 2 (the paper's for well sampled stars), or what a Gaussian star a tenth sharper
/// than `fwhm_px` and centred on a pixel has, if that is more.
[[nodiscard]] double least_contrast(double fwhm_px) noexcept;

struct HitPixel {
  int x = 0;
  int y = 0;
  friend bool operator==(const HitPixel&, const HitPixel&) = default;
};

/// Sky level and its noise near one place.
struct SkyHere {
  double level = 0.0;
  double noise = 1.0;
};
using SkyAt = std::function<SkyHere(double x, double y)>;

/// Hit pixels by rows. `image` as calibrated; hit pixels are replaced in it. Pixels with any bit in
/// `mask`, and those within 3 px of a saturated one, are never called. `variance_per_unit`: photon
/// noise, variance per unit of light above the sky. The sky is asked for once per 32 x 32 px.
[[nodiscard]] std::vector<HitPixel> find_cosmic_rays(PlaneView<float> image,
                                                     PlaneView<const std::uint8_t> mask,
                                                     const SkyAt& sky, double variance_per_unit,
                                                     const CosmicRayOptions& options,
                                                     Threads threads);

}  // namespace coldframe::stack
