/// \file
/// What one pair of raw frames of equal exposure tells, block by block.
///
/// Temporal noise comes from differences, fixed pattern from what the two frames have in common, so
/// neither needs the other's value (EMVA 1288 R4.0; Janesick 2007). Every site of a colour
/// mosaic's 2 x 2 cell is handled by itself.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/interrupt.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/pixel_source.hpp"

namespace coldframe::sensor {

/// Side of a block in pixels of one site.
inline constexpr int pair_block_side = 64;

/// One site (0..3: x parity + 2 y parity; 0 for a monochrome sensor) of one block, ADU.
///
/// The frames are scaled to one level before they are subtracted,
/// d = (a - zero)/sqrt(r) - (b - zero) sqrt(r), r = ratio of their levels: a lamp or a twilight sky
/// that fades does not count as noise. The expectation of `variance` = var(d)/2 is then
/// K S + D `spread` with S the mean signal, K = 1/gain, D the variance of a dark frame.
struct PairBlock {
  int site = 0;
  bool usable = false;   ///< enough pixels, none of them near saturation
  double level_a = 0.0;  ///< mean of the pixels that count
  double level_b = 0.0;
  double zero = 0.0;    ///< level without light, 0 when not given
  double spread = 1.0;  ///< (r + 1/r)/2
  double variance = 0.0;
  double pixels = 0.0;          ///< degrees of freedom of `variance`
  double fixed_variance = 0.0;  ///< of the pattern that both frames share, at scales below 8 px
  double fixed_pixels = 0.0;    ///< degrees of freedom of it
  double along_rows = 0.0;      ///< covariance of d/sqrt(2) with the next pixel of the site: x
  double along_columns = 0.0;   ///< y
  double diagonal = 0.0;        ///< both diagonals, mean
  double saturated_share = 0.0;
  double outlier_share = 0.0;  ///< hot, dead or hit: not counted

  [[nodiscard]] double level() const noexcept { return 0.5 * (level_a + level_b); }
  [[nodiscard]] double signal() const noexcept { return level() - zero; }
};

struct PairBlocks {
  int sites = 1;                  ///< 1 or 4
  std::vector<PairBlock> blocks;  ///< row by row, sites of a block together; same order for all
                                  ///< pairs of one frame size
};

struct PairOptions {
  double saturation_adu = 3.0e38;  ///< pixels at or above are cut off
  double code_step = 1.0;
  /// Level without light of each entry of `blocks`; empty: the frames are dark themselves.
  std::span<const double> zero;
};

/// Reads `part` (even corners) of both frames in bands. Throws Error(usage) when sizes differ.
[[nodiscard]] PairBlocks measure_pair(const PixelSource& a, const PixelSource& b, const Rect& part,
                                      CfaPattern cfa, const PairOptions& options, Threads threads,
                                      const Watch& watch);

}  // namespace coldframe::sensor
