/// \file
/// Sky level and noise on a coarse mesh.
///
/// Method: per cell the values are binned finely about a robust start and clipped on the bins; the
/// level is the biweight (Beers, Flynn & Gebhardt 1990), or Pearson's (1895) mode, 3 median -
/// 2 mean, when starlight skews the cell; the noise is the clipped sd corrected for truncation, or
/// that of the lower half when skewed. Cells far noisier than their neighbours hold objects and
/// are filled from around; single outliers take their neighbourhood's median. Between cell centres
/// bicubic (Keys 1981), flat beyond the outermost centres.
#pragma once

#include <span>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::stars {

struct SkyMeshOptions {
  int cell_px = 64;    ///< side of a cell; at least 16
  double kappa = 3.0;  ///< clipping limit in a cell
  int max_iterations = 10;
  int filter_cells = 3;  ///< neighbourhood an outlying cell is judged by; 1 = none
  /// Mosaic frames: level and noise of the green samples only.
  CfaPattern cfa = CfaPattern::none;
};

/// Values at cell centres: cell (i, j) covers x in [i*cell, (i+1)*cell), the
/// last one also the rest of the frame. Same unit as the image.
struct SkyMesh {
  int cell_px = 64;
  Size frame;
  Grid<float> level;  ///< columns x rows of cells
  Grid<float> noise;  ///< standard deviation of one pixel

  [[nodiscard]] float level_at(double x, double y) const noexcept;
  [[nodiscard]] float noise_at(double x, double y) const noexcept;
  /// Level of row y for x = x0 .. x0 + out.size() - 1.
  void level_row(int y, int x0, std::span<float> out) const;
  void noise_row(int y, int x0, std::span<float> out) const;
  [[nodiscard]] double median_level() const;
  [[nodiscard]] double median_noise() const;
  [[nodiscard]] SkyMesh clone() const;
};

/// Pixels with any mask bit, and non-finite ones, are left out. A cell without
/// enough good pixels takes its neighbours' value.
[[nodiscard]] SkyMesh measure_sky(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                                  const SkyMeshOptions& options, Threads threads);

}  // namespace coldframe::stars
