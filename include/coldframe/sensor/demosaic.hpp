/// \file
/// Filling in the colours of a colour filter array, or gathering its 2 x 2 cells into pixels.
#pragma once

#include <array>
#include <string_view>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/geometry.hpp"
#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// - `own_lattice`: each colour on its own lattice (red and blue: squares of 2 px; green: the
///   diagonals) with normalised Lanczos-3 weights at half-sample phase. Linear, own samples kept,
///   colours never mixed: fluxes and colours of stars and their predicted noise stay
///   honest, and what one sub aliases averages out over dithers. Exact for cubic polynomials.
///   Stars of FWHM 3.2 px widen by 0.1% in green and 4.4% in red and blue, which sample them
///   too coarsely for any linear method (4 px: -0.3 and 1.0%). The outer lobe leaves 0.35%
///   of a red or blue star's light more than 7 px away. Where a tap is saturated (or known to
///   be spoilt) the mean of the nearest samples stands in, so that the lobes do not ring. The
///   choice for dithered subs.
/// - `bilinear`: mean of the nearest samples; linear and calm, but widens such stars by 6 and 13%.
/// - `gradient_corrected` (Hamilton & Adams 1997) and `lmmse` (directional linear minimum mean
///   square error, Zhang & Wu 2005, IEEE Trans. Image Process. 14, 2167): fine structure is taken
///   from all colours, along the direction that suits it. Sharp where few subs undersample their
///   stars. Both assume that colours change slowly, which stars do not obey: as published they
///   pull the colours of stars towards neutral, by 12 and 11% at FWHM 3 px. Here what they add to
///   the filled-in pixels of a colour, smoothed over 5 x 5 px, is therefore held to what the
///   colour's own lattice gives (its own samples alone decide on coarse structure): the light of a
///   star within an aperture is that of `own_lattice` to 0.1%. Around saturated or spoilt samples
///   the own lattice stands in.
/// - `half_size`: not for `demosaic_band`; see `half_size_band`.
enum class Demosaic { bilinear, gradient_corrected, lmmse, own_lattice, half_size };

/// "own-lattice", "gradient-corrected" etc., as on the command line.
[[nodiscard]] std::string_view to_string(Demosaic method) noexcept;

/// Whether a method takes one colour's structure from the others: then errors of the planes go
/// together.
[[nodiscard]] constexpr bool mixes_colours(Demosaic method) noexcept {
  return method == Demosaic::gradient_corrected || method == Demosaic::lmmse;
}

/// Pixels around a target that `demosaic_band` looks at.
[[nodiscard]] constexpr int demosaic_margin(Demosaic method) noexcept {
  switch (method) {
    case Demosaic::bilinear:
      return 1;
    case Demosaic::own_lattice:
      return 5;
    case Demosaic::gradient_corrected:
      return 7;
    case Demosaic::lmmse:
      return 13;
    case Demosaic::half_size:
      return 0;
  }
  return 0;
}

/// Variance of a raw sample of each colour: variance + slope * max(value - level, 0). `lmmse` takes
/// what is no larger than noise for no structure; all 0: it judges by the pixels alone.
struct SampleNoise {
  std::array<float, 3> variance{};
  std::array<float, 3> slope{};
  std::array<float, 3> level{};
};

/// Demosaics `mosaic`, the pixels of `region` of a frame with `pattern`; writes
/// the pixels of `target` (inside `region`; at least `demosaic_margin` smaller on each side
/// except at the frame's edge, where samples are mirrored) to three planes and three masks.
/// A plane's mask holds the bits of its own sample where it has one, else those
/// of contributing samples that carry more than 10% of the squared weight.
void demosaic_band(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask,
                   const Rect& region, Size frame, CfaPattern pattern, Demosaic method,
                   const Rect& target, PlaneView<float> planes[3], PlaneView<std::uint8_t> masks[3],
                   const SampleNoise& noise = {});

/// Mean of squared weights of a demosaiced plane (variance out over variance in): {red, green,
/// blue}. White noise of one size in all colours.
struct DemosaicNoise {
  double gain[3] = {1.0, 1.0, 1.0};
};
[[nodiscard]] DemosaicNoise demosaic_noise(Demosaic method) noexcept;

/// Variance out over the variance of the plane's own raw samples, by plane and place in the 2 x 2
/// cell ((x & 1) + 2 (y & 1)), for noise of standard deviation `sd` per colour: exact for
/// linear methods with smooth noise; for the adaptive ones measured by sending noise through them.
using SiteGains = std::array<std::array<double, 4>, 3>;
[[nodiscard]] SiteGains demosaic_site_gains(CfaPattern pattern, Demosaic method,
                                            const std::array<double, 3>& sd);

/// Variances of the demosaiced pixels of `target`. `variance` holds those of the mosaic's samples
/// in `region` (margin as for `demosaic_band`). Linear methods: squared weights. Adaptive ones:
/// `gains` times the mean variance of the nearest samples of the colour.
void demosaic_variance_band(PlaneView<const float> variance, const Rect& region, Size frame,
                            CfaPattern pattern, Demosaic method, const SiteGains& gains,
                            const Rect& target, PlaneView<float> planes[3]);

/// Half size: cell (2i, 2j) ... (2i + 1, 2j + 1) of the mosaic becomes pixel (i, j): its red and
/// blue sample, and the mean of its greens. An odd last column or row is left out.
[[nodiscard]] constexpr Size half_size_of(Size frame) noexcept {
  return {frame.width / 2, frame.height / 2};
}
/// `target` in half-size pixels; `region`, in the frame's own pixels, covers its cells. A green
/// mask holds the bits of both samples.
void half_size_band(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask,
                    const Rect& region, CfaPattern pattern, const Rect& target,
                    PlaneView<float> planes[3], PlaneView<std::uint8_t> masks[3]);
/// Variances of the same from those of the samples: a quarter of their sum in green.
void half_size_variance_band(PlaneView<const float> variance, const Rect& region,
                             CfaPattern pattern, const Rect& target, PlaneView<float> planes[3]);
/// Where a plane's light was sampled, in the frame's own pixels from the cell's pixel (0, 0): (1/2,
/// 1/2) in green (the pixel's centre), the sample itself in red and blue.
[[nodiscard]] Point half_size_sample(CfaPattern pattern, int plane) noexcept;

}  // namespace coldframe::sensor
