/// \file
/// One measured star.
#pragma once

#include <cstdint>
#include <string_view>
#include <vector>

namespace coldframe {

/// What the detection takes a source for. The numbers stand in files.
enum class StarClass : std::uint8_t {
  star = 0,        ///< a point source, fit for alignment and quality
  saturated = 1,   ///< a star whose core is clipped; its position is still useful
  extended = 2,    ///< broader than the field's stars: galaxy, knot of a nebula
  hot_pixel = 3,   ///< one pixel, narrower than a star can be
  edge = 4,        ///< cut by the frame's edge or by masked pixels
  crowded = 5,     ///< a star parted from a near neighbour: position and flux of a joint fit
  blend = 6,       ///< longer than a star but no wider: two in one
  cosmic_ray = 7,  ///< several pixels with edges sharper than a star's
  trail = 8,       ///< a piece of a straight line: satellite, aircraft, meteor
  spike = 9        ///< a piece of a ray that starts at a bright star
};
inline constexpr int star_classes = 10;

/// Light of one star each: what counts as a star.
[[nodiscard]] constexpr bool is_star(StarClass kind) noexcept {
  return kind == StarClass::star || kind == StarClass::saturated || kind == StarClass::crowded;
}

/// The class in words, as in tables: star, saturated, extended, hot-pixel, ...
[[nodiscard]] std::string_view to_string(StarClass kind) noexcept;

/// Positions in pixels (0-based, centres at integers), fluxes in the image's
/// unit, angles in degrees counter-clockwise from +x in FITS row order.
struct Star {
  double x = 0.0;
  double y = 0.0;
  double flux = 0.0;     ///< total light of the fitted profile
  double peak = 0.0;     ///< highest pixel above the sky
  double sky = 0.0;      ///< local sky level under the star
  double fwhm_px = 0.0;  ///< geometric mean width as recorded (pixel response included)
  double fwhm_major_px = 0.0;
  double fwhm_minor_px = 0.0;
  double ellipticity = 0.0;  ///< 1 - minor/major
  double angle_deg = 0.0;    ///< of the major axis, in [0, 180)
  double beta = 0.0;         ///< Moffat exponent; 0 when a Gaussian was fitted
  double snr = 0.0;          ///< flux over its standard error
  double x_error = 0.0;
  double y_error = 0.0;
  double flux_error = 0.0;
  double fwhm_error_px = 0.0;
  double chi2_per_dof = 0.0;
  bool fitted = false;  ///< false: moments only (fit not tried or not converged)
  StarClass kind = StarClass::star;
};

using StarList = std::vector<Star>;

}  // namespace coldframe
