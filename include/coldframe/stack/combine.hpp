/// \file
/// Combining many samples of each pixel: rejection, weighted mean, variance.
/// One engine for subs and for masters, fed by tiles.
///
/// Predicted variance of sample i of a pixel with centre c (all in output units):
///   var_i(c) = constant_i + slope_i * max(c - pedestal_i, 0)
/// with the coefficients of sub i in the pixel's block (see `BlockCoefficients`).
/// Weights are constants of the sub (and block), never taken from the sample.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::stack {

enum class Rejection {
  none,         ///< keep all usable samples
  noise_model,  ///< default: each sample against the robust centre with its own predicted variance
  kappa_sigma,  ///< iterated clipping with a robust scale (MAD), for unknown noise
  winsorised,   ///< clipping limits from a Winsorised scale (Huber; ISO 13528 Algorithm A)
  esd           ///< generalised extreme Studentised deviate (Rosner 1983)
};
[[nodiscard]] std::string_view to_string(Rejection rule) noexcept;

struct CombineOptions {
  Rejection rule = Rejection::noise_model;
  double kappa_low = 4.0;  ///< limits in standard deviations
  double kappa_high = 4.0;
  int max_iterations = 5;
  double esd_alpha = 0.05;        ///< significance of the ESD rule
  double esd_max_fraction = 0.3;  ///< most samples it may cut
  /// Seeing term of the noise-model rule: a sample may differ from the centre by this share of
  /// the local signal (above the sky) because its star images are narrower or wider.
  double seeing_share = 0.25;
  /// Sky level of the output scale: signal is counted above it.
  double sky_level = 0.0;
  [[nodiscard]] std::vector<std::string> faults() const;
};

/// Side of the blocks (absolute coordinates: block (x / 32, y / 32)) in which a sub's
/// coefficients are constant.
inline constexpr int block_px = 32;

/// Noise model and weight of one sub in one block.
struct BlockCoefficients {
  float weight = 1.0F;    ///< relative weight; 0 = sub not used here
  float constant = 0.0F;  ///< variance that does not grow with signal (read noise, sky-independent)
  float slope = 0.0F;     ///< variance per unit of signal (1/gain in output units)
  float pedestal = 0.0F;  ///< output value at which the sub saw no light
};

/// The samples of one tile. All views have the tile's size; `origin` is the
/// absolute position of its pixel (0,0).
struct TileSamples {
  Rect tile;
  std::vector<PlaneView<const float>> values;        ///< one per sub
  std::vector<PlaneView<const std::uint8_t>> masks;  ///< same count; mask_bit::unusable bars
  /// [sub * blocks + block], blocks in row order over the blocks the tile touches.
  std::vector<BlockCoefficients> coefficients;
  [[nodiscard]] int block_columns() const noexcept;
  [[nodiscard]] int block_rows() const noexcept;
};

/// Where the result goes; views of the tile's size. Empty views are skipped
/// except `mean`.
struct TileResult {
  PlaneView<float> mean;
  PlaneView<float> variance;    ///< of the mean, from the predicted variances of the survivors
  PlaneView<float> weight_sum;  ///< sum of `exposure` of the surviving subs
  PlaneView<float>
      scatter_variance;  ///< sample variance of the survivors / count (an independent check)
  PlaneView<std::uint16_t> clipped_low;
  PlaneView<std::uint16_t> clipped_high;
  PlaneView<std::uint8_t> flags;  ///< 0 where a clean sample was used, else see `combine_tile`
};

/// `exposure` has one entry per sub (seconds, or 1). `clipped_per_sub`, when
/// not empty, has two entries per sub (low, high), to which counts are added.
/// Where no sample is clean, the best kind that is there is combined and flagged with its bits:
/// repaired defects and particle hits, else saturated samples (of them, as they are lower limits,
/// the ones within a factor of two of the highest above the sky), else samples a trail may have
/// crossed. Only where nothing of these is left: NaN, and the flags are the union of the mask bits.
/// `masks` (or one of them), `coefficients` and `exposure` may be empty: no mask, weight 1
/// without a noise model (the noise-model rule then keeps everything), exposure 1.
/// Throws coldframe::Error(usage) when counts or sizes do not fit each other.
void combine_tile(const TileSamples& samples, const CombineOptions& options,
                  std::span<const float> exposure, const TileResult& result,
                  std::span<std::uint64_t> clipped_per_sub);

}  // namespace coldframe::stack
