// The frame sampled in cells, and which of them an object covers.
#pragma once

#include <cstdint>
#include <vector>

#include "coldframe/core/chebyshev.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/sky/gradient.hpp"

namespace coldframe::sky {

struct SkyCell {
  double x = 0.0;  ///< mean position of its good pixels
  double y = 0.0;
  double value = 0.0;   ///< clipped median
  double weight = 0.0;  ///< share of good pixels; 0: no data
};

struct CellGrid {
  Size frame;
  int columns = 0;
  int rows = 0;
  std::vector<SkyCell> cells;  ///< row by row
  std::vector<char> covered;   ///< 1: an object lies here
  double noise = 0.0;          ///< of a cell's value, from differences of neighbours

  [[nodiscard]] std::size_t index(int column, int row) const noexcept {
    return static_cast<std::size_t>(row) * static_cast<std::size_t>(columns) +
           static_cast<std::size_t>(column);
  }
  [[nodiscard]] std::size_t with_data() const noexcept;
  [[nodiscard]] std::size_t free() const noexcept;
  /// Free cells over cells with data.
  [[nodiscard]] double free_share() const noexcept;
  [[nodiscard]] std::vector<SurfacePoint> free_points() const;
};

[[nodiscard]] CellGrid sample_cells(PlaneView<const float> image,
                                    PlaneView<const std::uint8_t> mask,
                                    PlaneView<const float> weight, const GradientOptions& options,
                                    Threads threads);

/// Marks the cells that stand above `surface`: connected groups above object_sigma
/// in the smoothed residual that reach twice that somewhere, grown.
void mark_objects(CellGrid& grid, const ChebyshevSurface& surface, const GradientOptions& options);

/// The owner's word on top of what was marked: cells with their middle in a polygon.
void apply_regions(CellGrid& grid, const GradientOptions& options);
/// Whether a point lies in a polygon (even-odd rule).
[[nodiscard]] bool inside(const Polygon& polygon, Point p) noexcept;

/// The whole fit on cells; `grid.covered` is left as the fit took it.
[[nodiscard]] GradientModel fit_cells(CellGrid& grid, const GradientOptions& options);
/// See GradientModel::taken_share.
[[nodiscard]] std::optional<double> taken_share(const CellGrid& grid, const GradientModel& model,
                                                const GradientOptions& options);

/// A surface along the lower side of the cells, blind to what rises above the sky.
[[nodiscard]] ChebyshevSurface lower_surface(const CellGrid& grid, int order);

/// The order that predicts left-out blocks of free cells best, 0..highest; the lowest
/// one that is not worse by more than the uncertainty of the comparison.
[[nodiscard]] int order_by_cross_validation(const CellGrid& grid, int highest);

}  // namespace coldframe::sky
