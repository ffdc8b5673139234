/// \file
/// Matched filter and peaks.
///
/// The image, sky-subtracted and divided by the sky's noise, is correlated with a
/// Gaussian as wide as the field's stars: the optimal detector of a known profile in
/// white noise (North 1943; Turin 1960). Pixels without signal (masked, red and blue
/// of a mosaic) count as zero. Filtered values are in units of the filtered noise,
/// known from the kernel's norm and checked on the filtered image itself.
#pragma once

#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/stars/sky_mesh.hpp"

namespace coldframe::stars {

/// What detection looks at.
struct DetectionFrame {
  PlaneView<const float> image;
  PlaneView<const std::uint8_t> mask;
  const SkyMesh* sky = nullptr;
  CfaPattern cfa = CfaPattern::none;
  double gain_e_per_unit = 1.0;
  const Grid<float>* known_light = nullptr;  ///< taken away before detection
};

/// Symmetric taps, sum 1: taps[0] at the centre.
struct GaussianKernel {
  std::vector<float> taps;
  double norm2d =
      1.0;  ///< root of the sum of squares of the separable kernel: noise of the filtered image
  [[nodiscard]] int radius() const noexcept { return static_cast<int>(taps.size()) - 1; }
};
[[nodiscard]] GaussianKernel gaussian_kernel(double fwhm_px);

/// A local maximum of the filtered image.
struct Peak {
  int x = 0;
  int y = 0;
  float value = 0.0F;       ///< filtered, in units of its noise
  float pedestal = 0.0F;    ///< level of the surroundings in the same unit, >= 0
  float line = 0.0F;        ///< level of the best straight line through it, 0 = none
  float line_angle = 0.0F;  ///< its direction, radians counter-clockwise from +x
  int line_steps = 0;       ///< how far it goes on to both sides, in steps of 2.2 kernel widths
};

/// Which bands of rows to work on: those whose number leaves `rest` when divided by `step`.
struct BandChoice {
  int step = 1;
  int rest = 0;
};

struct FilteredFrame {
  Grid<float> values;        ///< in units of the expected noise; zero outside the bands
  BandChoice bands;          ///< that were filtered
  double noise_ratio = 1.0;  ///< measured over expected noise
  /// Level of empty sky, <= 0: the mesh reads the light of many faint wings as sky.
  double zero = 0.0;
  double fwhm_px = 3.0;  ///< of the kernel
  double norm2d = 1.0;
};

/// Filters the chosen bands into `out` (its grid is reused when the size fits); the others become
/// zero.
void filter_frame(const DetectionFrame& frame, double fwhm_px, Threads threads, FilteredFrame& out,
                  BandChoice choice = {});

/// Local maxima above `threshold` measured noises, brightest first; ties by row, then column.
[[nodiscard]] std::vector<Peak> find_peaks(const FilteredFrame& filtered, double threshold,
                                           Threads threads);

/// The peaks' numbers row by row: who looks at their pixels in this order finds the neighbours'
/// still at hand.
[[nodiscard]] std::vector<std::uint32_t> by_rows(const std::vector<Peak>& peaks, int height);

/// Drops maxima that do not stand out from a brighter neighbour's flank (saddle) or
/// from their surroundings (ring) by the local noise. Keeps the order.
[[nodiscard]] std::vector<Peak> keep_prominent(const DetectionFrame& frame,
                                               const FilteredFrame& filtered,
                                               std::vector<Peak> peaks, double threshold,
                                               Threads threads);

}  // namespace coldframe::stars
