/// \file
/// Lines that belong to the detector: they lie at one place of it in every sub, a trail in one sub.
#pragma once

#include <span>
#include <vector>

#include "trail_judge.hpp"

namespace coldframe::pipeline::detail {

/// Sums of a residual along the quarters of every column and row of the sensor.
class SensorLines {
 public:
  SensorLines() = default;
  explicit SensorLines(const TrailResidual& residual);
  struct Sum {
    double total = 0.0;
    double count = 0.0;
    [[nodiscard]] double mean() const noexcept { return count > 0.0 ? total / count : 0.0; }
  };
  /// Over the quarters of one column (`upright`) or row that `first` to `last` cover.
  [[nodiscard]] Sum along(bool upright, int line, double first, double last) const noexcept;
  [[nodiscard]] bool empty() const noexcept { return columns_.size().width == 0; }

 private:
  static constexpr int parts = 4;
  struct Table {
    Grid<float> total;
    Grid<float> count;
    int length = 0;  ///< of a line, pixels
    [[nodiscard]] Size size() const noexcept { return total.size(); }
  };
  Table columns_;
  Table rows_;
};

/// `trail` in preview pixels of sub `own`. True where it lies along a column or row that is bright
/// in the other subs as well.
[[nodiscard]] bool lies_on_sensor(const stack::Trail& trail, std::span<const SensorLines> subs,
                                  std::size_t own);

}  // namespace coldframe::pipeline::detail
