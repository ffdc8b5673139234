/// \file
/// Units of pixel values and conversion constants.
#pragma once

#include <string_view>

namespace coldframe {

/// What a pixel value counts. Carried with the data, never guessed.
enum class PixelUnit { adu, electron };

/// BUNIT text: "adu" or "electron".
[[nodiscard]] constexpr std::string_view to_string(PixelUnit unit) noexcept {
  return unit == PixelUnit::electron ? "electron" : "adu";
}

/// Arcseconds in a radian, 648000/pi.
inline constexpr double arcsec_per_radian = 206264.806247096355;

/// Scale of a pixel of `pixel_um` micrometres behind `focal_mm` millimetres, arcsec.
[[nodiscard]] constexpr double pixel_scale_arcsec(double pixel_um, double focal_mm) noexcept {
  return arcsec_per_radian * 1e-3 * pixel_um / focal_mm;
}

}  // namespace coldframe
