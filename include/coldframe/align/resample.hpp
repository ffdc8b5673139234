/// \file
/// Resampling a piece of a frame onto another grid.
///
/// Lanczos-3 (its weights changed by less than 0.003 so that a ramp is reproduced: that keeps the
/// light of a star of FWHM >= 2 px within 0.1 % on grids turned by any angle), Keys bicubic (1981,
/// a = -1/2), bilinear. Where the sub's pixels are finer than the reference's by more than 1.02,
/// the kernel is stretched by that factor (judged at the sub's centre), so that no light is lost
/// between the samples. A destination pixel's
/// arithmetic depends on its absolute coordinates only, so any tiling gives the same bits. Pixel
/// values are per area: the result is multiplied by the area ratio |det d(sub)/d(reference)| so
/// that the total light of a star is kept when scales differ.
#pragma once

#include <array>

#include "coldframe/core/image.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::align {

enum class Kernel { lanczos3, bicubic, bilinear };

struct ResampleOptions {
  Kernel kernel = Kernel::lanczos3;
  /// Undershoot guard: a result v becomes max(v, lo - guard (hi - lo)), lo and hi being the
  /// lowest and highest of the nearest 4 x 4 samples. It cuts the dark rings around hot
  /// pixels, cosmic rays and steep saturated cores, where the kernel's negative lobes meet
  /// a sharp peak. Crests are left alone: between samples a star is brighter than all of
  /// them. The dips of a Gaussian star of FWHM >= 1.8 px stay within 0.03 of its range, so
  /// the default never touches it; white noise is raised by 0.002 of its sigma. Negative = off.
  double guard = 0.03;
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
/// non-finite ones must have been replaced. A destination pixel is outside when its
/// position lies beyond the centres of the frame's outermost pixels; its value is 0.
/// Kernel taps beyond the edge are left out and the others normalised. Throws
/// coldframe::Error(usage) when `region` is smaller than `source_region` asks for.
void resample(PlaneView<const float> source, PlaneView<const std::uint8_t> source_mask,
              const Rect& region, Size sub, const Transform& sub_to_reference,
              const Rect& destination, PlaneView<float> values, PlaneView<std::uint8_t> mask,
              const ResampleOptions& options);

/// Sum of the squared kernel weights at one destination position: variance out
/// over variance in for white noise (area factor not included).
[[nodiscard]] double noise_gain(const Transform& sub_to_reference, Point destination,
                                Kernel kernel);

}  // namespace coldframe::align
