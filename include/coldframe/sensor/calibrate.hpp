/// \file
/// The arithmetic of calibration, by rows.
///
/// calibrated = (raw - subtract) * multiply, with subtract = dark (bias in it once) or bias +
/// scaled dark rate, in ADU, and multiply = gain / flat. Flags: saturated where raw
/// >= saturation, defect from the map, not_finite.
#pragma once

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// Whole-frame planes prepared once per set of masters. Views may be empty (0 x 0): no dark, no
/// flat, no defects.
struct CalibrationPlanes {
  PlaneView<const float> subtract;        ///< ADU
  PlaneView<const float> multiply;        ///< gain/flat, or 1/flat without a gain
  PlaneView<const std::uint8_t> defects;  ///< mask bits
  float constant_subtract = 0.0F;         ///< used when `subtract` is empty (e.g. -PEDESTAL)
  float constant_multiply = 1.0F;         ///< used when `multiply` is empty (the gain)
  float saturation_adu = 65535.0F;
};

/// Calibrates `raw`, which holds the pixels of `rect` of the frame, in place,
/// and writes the mask. Bits are the same for any band division and any instruction set.
void calibrate_band(PlaneView<float> raw, const Rect& rect, const CalibrationPlanes& planes,
                    PlaneView<std::uint8_t> mask);

/// Demosaics `mosaic`, the pixels of `region` of a frame with `pattern`; writes
/// the pixels of `target` (inside `region`; at least `demosaic_margin` smaller on each side
/// except at the frame's edge, where samples are mirrored) to three planes and three masks.
/// A plane's mask holds the bits of its own sample where it has one, else those
/// of contributing samples that carry more than 10% of the squared weight.
///
/// - `own_lattice`: each colour on its own lattice (red and blue: squares of 2 px; green: the
///   diagonals) with normalised Lanczos-3 weights at half-sample phase. Linear, own samples kept,
///   colours never mixed: fluxes and colours of stars and their predicted noise stay
///   honest, and what one sub aliases averages out over dithers. Exact for cubic polynomials.
///   Stars of FWHM 3.2 px widen by 0.1% in green and 4.4% in red and blue, which sample them
///   too coarsely for any linear method (4 px: -0.3 and 1.0%). The outer lobe leaves 0.35%
///   of a red or blue star's light more than 7 px away. Where a tap is saturated (or known to
///   be spoilt) the mean of the nearest samples stands in, so that the lobes do not ring. The
///   choice for dithered subs.
/// - `bilinear`: mean of the nearest samples; linear and calm, but widens such stars by 6 and 13%
///   (7% in our simulated colour session).
/// - `gradient_corrected` (after Hamilton & Adams 1997): keeps edges of single frames sharp, but
///   picks its direction from the data, so its noise is not predictable, and it pulls the colours
///   of stars towards neutral (up to 13% for one star of FWHM 3 px; star colours of the combined
///   simulated session scatter by up to 5%).
enum class Demosaic { bilinear, gradient_corrected, own_lattice };
void demosaic_band(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask,
                   const Rect& region, Size frame, CfaPattern pattern, Demosaic method,
                   const Rect& target, PlaneView<float> planes[3],
                   PlaneView<std::uint8_t> masks[3]);
inline constexpr int demosaic_margin = 5;

/// Mean of squared weights of a demosaiced plane (variance out over variance in): {red, green,
/// blue}.
struct DemosaicNoise {
  double gain[3] = {1.0, 1.0, 1.0};
};
[[nodiscard]] DemosaicNoise demosaic_noise(Demosaic method) noexcept;

}  // namespace coldframe::sensor
