#include "coldframe/sensor/pair_blocks.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "sensor/block_pixels.hpp"

namespace coldframe::sensor {
namespace {

/// Fewest pixels of one site that make a block.
constexpr std::size_t least_pixels = 256;
/// More saturated pixels than this and the noise of the rest is cut as well.
constexpr double most_saturated = 0.001;
constexpr double headroom_kappa = 5.0;

/// Means, scaled differences and their sums for one site.
PairBlock measure_block(BlockPixels& pixels, int site, double zero, const PairOptions& options) {
  PairBlock block;
  block.site = site;
  block.zero = zero;
  const bool lit = !options.zero.empty();
  const auto counted = pixels.mark_usable(options.saturation_adu);
  if (counted.finite == 0) return block;
  block.saturated_share =
      static_cast<double>(counted.saturated) / static_cast<double>(counted.finite);
  if (counted.finite - counted.saturated < least_pixels) return block;
  pixels.scale(zero, lit);
  const std::size_t left = pixels.leave_out_odd_pixels(options.code_step);
  if (left < least_pixels) return block;
  pixels.scale(zero, lit);
  block.outlier_share =
      1.0 - static_cast<double>(left) / static_cast<double>(counted.finite - counted.saturated);
  const BlockSums sums = pixels.sums();
  block.level_a = pixels.mean_a();
  block.level_b = pixels.mean_b();
  const double ratio = pixels.ratio();
  block.spread = 0.5 * (ratio + 1.0 / ratio);
  block.pixels = static_cast<double>(left) - 1.0;
  block.variance = 0.5 * sums.squares / block.pixels;
  block.along_rows = 0.5 * sums.along_rows;
  block.along_columns = 0.5 * sums.along_columns;
  block.diagonal = 0.5 * sums.diagonal;
  const PatternSums pattern = pixels.pattern();
  block.fixed_pixels = pattern.freedom;
  block.fixed_variance = pattern.freedom > 0.0 ? pattern.products / pattern.freedom : 0.0;
  const double top = std::max(block.level_a, block.level_b) +
                     headroom_kappa * std::sqrt(block.variance + block.fixed_variance);
  block.usable = block.saturated_share <= most_saturated && top < options.saturation_adu;
  return block;
}

}  // namespace

PairBlocks measure_pair(const PixelSource& a, const PixelSource& b, const Rect& part,
                        CfaPattern cfa, const PairOptions& options, Threads threads,
                        const Watch& watch) {
  if (a.size() != b.size()) {
    throw Error(ErrorKind::usage, "", "the two frames of a pair differ in size",
                "use frames of one camera and binning");
  }
  const int cell = cfa == CfaPattern::none ? 1 : 2;
  const int side = pair_block_side * cell;
  const int columns = (part.width() + side - 1) / side;
  const int rows = (part.height() + side - 1) / side;
  PairBlocks result;
  result.sites = cell * cell;
  result.blocks.resize(static_cast<std::size_t>(columns * rows * result.sites));
  parallel_for(threads, static_cast<std::size_t>(rows), [&](std::size_t row) {
    watch.check();
    const int y0 = part.y0 + static_cast<int>(row) * side;
    const Rect band = Rect{part.x0, y0, part.x1, y0 + side}.intersect(part);
    Grid<float> pixels_a(band.size());
    Grid<float> pixels_b(band.size());
    a.fill(0, band, pixels_a.view());
    b.fill(0, band, pixels_b.view());
    BlockPixels pixels;
    for (int column = 0; column < columns; ++column) {
      const int x0 = column * side;
      const Rect cut = Rect{x0, 0, x0 + side, band.height()}.intersect(whole(band.size()));
      for (int site = 0; site < result.sites; ++site) {
        const auto index =
            (row * static_cast<std::size_t>(columns) + static_cast<std::size_t>(column)) *
                static_cast<std::size_t>(result.sites) +
            static_cast<std::size_t>(site);
        pixels.take(pixels_a.cview().crop(cut), pixels_b.cview().crop(cut), cell, site);
        const double zero = index < options.zero.size() ? options.zero[index] : 0.0;
        result.blocks[index] = measure_block(pixels, site, zero, options);
      }
    }
  });
  return result;
}

}  // namespace coldframe::sensor
