/// \file
/// Resampling a piece of a frame onto another grid.
///
/// Lanczos-3 (weights normalised to sum 1), Keys bicubic (1981, a = -1/2),
/// bilinear. A destination pixel's arithmetic depends on its absolute coordinates
/// only, so any tiling gives the same bits. Pixel values are per area: the
/// result is multiplied by the area ratio |det d(sub)/d(reference)| so that the
/// total light of a star is kept when scales differ.
#pragma once

#include <array>

#include "coldframe/core/image.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::align {

enum class Kernel { lanczos3, bicubic, bilinear };

struct ResampleOptions {
  Kernel kernel = Kernel::lanczos3;
  /// Overshoot guard: where the kernel's negative lobes meet a sharp peak (a
  /// saturated core, a hot pixel), the result is kept within the range of the
  /// nearest 4 x 4 samples widened by `guard` of that range. Negative = off.
  double guard = 0.1;
  /// A mask bit is set where pixels with it carry more than this share of the squared weights.
  double mask_share = 0.1;
};

/// The source pixels (0-based, in the sub's frame) needed for `destination` (in
/// the reference's grid), kernel margin included, cut to the sub's frame; empty when none.
[[nodiscard]] Rect source_region(const Transform& sub_to_reference, const Rect& destination,
                                 Size sub, Kernel kernel);

/// Fills `values` and `mask` (both of destination's size). `source` and
/// `source_mask` hold the pixels of `region` (as given by `source_region`, or
/// more); `sub` is the size of the whole frame, beyond which mask_bit::outside
/// is set. Masked source pixels still take part with their (repaired) values;
/// non-finite ones must have been replaced. Values outside are 0.
void resample(PlaneView<const float> source, PlaneView<const std::uint8_t> source_mask,
              const Rect& region, Size sub, const Transform& sub_to_reference,
              const Rect& destination, PlaneView<float> values, PlaneView<std::uint8_t> mask,
              const ResampleOptions& options);

/// Sum of the squared kernel weights at one destination position: variance out
/// over variance in for white noise (area factor not included).
[[nodiscard]] double noise_gain(const Transform& sub_to_reference, Point destination, Kernel kernel);

}  // namespace coldframe::align
