/// \file
/// The pixels of one site of one block of a pair, and the sums over them.
#pragma once

#include <cstdint>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

struct BlockSums {
  double squares = 0.0;     ///< of the scaled differences about their mean
  double along_rows = 0.0;  ///< mean product with the next pixel
  double along_columns = 0.0;
  double diagonal = 0.0;
};

struct PatternSums {
  double products = 0.0;  ///< of both frames' residuals from a plane, tiles of 8 x 8
  double freedom = 0.0;
};

class BlockPixels {
 public:
  /// Takes every `cell`-th pixel from the place `site` (x parity + 2 y parity).
  void take(PlaneView<const float> a, PlaneView<const float> b, int cell, int site);

  struct Counted {
    std::size_t finite = 0;
    std::size_t saturated = 0;  ///< of the finite ones; they do not count any more
  };
  Counted mark_usable(double saturation_adu);

  /// Means of the pixels that count, their ratio above `zero` (1 unless `lit`), differences.
  void scale(double zero, bool lit);
  /// Leaves out hits (difference beyond 6 sigma) and hot or dead pixels (mean of the pair beyond 8
  /// sigma of one frame, and, where there is light, 15% off). Gives the number of those that stay.
  std::size_t leave_out_odd_pixels(double code_step);

  [[nodiscard]] BlockSums sums() const;
  [[nodiscard]] PatternSums pattern() const;
  [[nodiscard]] double mean_a() const noexcept { return mean_a_; }
  [[nodiscard]] double mean_b() const noexcept { return mean_b_; }
  [[nodiscard]] double ratio() const noexcept { return ratio_; }

 private:
  template <typename Value>
  [[nodiscard]] double median_of(Value&& value);
  [[nodiscard]] double product_mean(int dx, int dy) const;
  void add_tile(int x0, int y0, PatternSums& sums) const;

  int width_ = 0;
  int height_ = 0;
  double mean_a_ = 0.0, mean_b_ = 0.0, ratio_ = 1.0, signal_ = 0.0;
  std::vector<float> a_, b_;
  std::vector<double> difference_;  ///< scaled; its mean over the pixels that count is zero
  std::vector<std::uint8_t> counts_;
  std::vector<double> work_;
};

}  // namespace coldframe::sensor
