// What the combine pass keeps of its samples to tell the growth of depth, the efficiency of the
// combination and each sub's share in it: 8 x 8 blocks on a fixed lattice of the canvas.
#pragma once

#include <span>
#include <vector>

#include "coldframe/pipeline/combine_pass.hpp"

namespace coldframe::pipeline {

class DepthSamples {
 public:
  DepthSamples(std::size_t subs, Size canvas);

  /// Looks at the blocks that `samples` holds of one plane. `result`: mean and variance (before the
  /// root) as combined. May be called from several threads for different tiles.
  void add(const stack::TileSamples& samples, const stack::TileResult& result);

  /// `clipped`: samples cut per sub, low and high; of `samples` each.
  [[nodiscard]] DepthFigures figures(std::span<const double> weights,
                                     std::span<const std::uint64_t> clipped,
                                     std::span<const std::uint64_t> samples) const;

 private:
  struct Block {
    int x = 0, y = 0;  ///< canvas
  };
  void add_block(const stack::TileSamples& samples, const stack::TileResult& result,
                 const Rect& part, std::size_t slot, std::size_t coefficients);
  Size canvas_;
  int step_ = 1;     ///< blocks of block_px between two looked at
  int columns_ = 0;  ///< of the lattice
  int rows_ = 0;
  Grid<float> means_;                     ///< per block and sub
  Grid<float> used_;                      ///< share of the block's pixels that a sub shows unspoilt
  std::vector<double> achieved_, ideal_;  ///< variances per block; NaN: nothing there
};

}  // namespace coldframe::pipeline
