/// \file
/// A gnomonic solution with polynomial distortion (TAN-SIP) and its fit.
///
/// Shupe et al. 2005 (ASP 347, 491): with (u, v) = pixel - reference pixel,
/// x = CD * (u + f(u, v), v + g(u, v)) are standard coordinates in degrees about the reference
/// position; f and g hold terms A_p_q u^p v^q, B_p_q u^p v^q with 2 <= p + q <= order. The inverse
/// polynomials AP, BP serve programs that do not iterate; ours and WCSLIB do.
#pragma once

#include <array>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/header.hpp"
#include "coldframe/core/sky_projection.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::sky {

struct TanSip {
  Point centre;                                                     ///< CRPIX, 0-based
  SkyPoint tangent;                                                 ///< CRVAL
  std::array<double, 4> cd{-1.0 / 3600.0, 0.0, 0.0, 1.0 / 3600.0};  ///< CD1_1 CD1_2 CD2_1 CD2_2
  /// f and g in pixels, about `centre`; the terms below degree 2 are zero. Unset: no distortion.
  std::optional<Polynomial2> distortion;
  /// Correction from undistorted to recorded pixel offsets, about the origin; all degrees.
  std::optional<Polynomial2> inverse;

  [[nodiscard]] int order() const noexcept { return distortion ? distortion->order : 1; }
  [[nodiscard]] SkyPoint to_sky(Point pixel) const noexcept;
  /// By Newton iteration; unset behind the tangent plane or where that does not settle.
  [[nodiscard]] std::optional<Point> to_pixel(SkyPoint sky) const noexcept;
  /// Square root of the area of the central pixel.
  [[nodiscard]] double arcsec_per_px() const noexcept;
  /// Direction of north, from +x towards +y, degrees.
  [[nodiscard]] double north_deg() const noexcept;
  /// True when east lies clockwise from north as x and y are drawn (x right, y up): a picture seen
  /// in a mirror, compared with the sky.
  [[nodiscard]] bool mirrored() const noexcept;
};

/// Removes every celestial card of `header` (all spellings, alternates included) and adds those of
/// the solution.
void write_solution(Header& header, const TanSip& solution);
/// Whether a keyword belongs to a celestial solution that `write_solution` replaces.
[[nodiscard]] bool is_solution_card(std::string_view keyword) noexcept;

struct PixelSky {
  Point pixel;
  SkyPoint sky;
  double weight = 1.0;  ///< inverse variance
};

/// Least squares for one order, about the middle of the frame; the tangent point is moved until
/// the reference pixel needs no offset, and the inverse polynomials are fitted over the frame.
/// Unset when there are fewer points than coefficients or they lie on a line.
[[nodiscard]] std::optional<TanSip> fit_tan_sip(std::span<const PixelSky> points, Size frame,
                                                int order, SkyPoint tangent_guess);

/// Offset of the solution from each point, pixels: where the solution puts the sky position, minus
/// where the pixel is.
[[nodiscard]] std::vector<Point> residuals_of(const TanSip& solution,
                                              std::span<const PixelSky> points);

/// The order with the least Bayesian information (Schwarz 1978, Ann. Stat. 6, 461), at most
/// `highest`; at least three points per coefficient pair.
[[nodiscard]] std::optional<TanSip> fit_best_order(std::span<const PixelSky> points, Size frame,
                                                   int highest, SkyPoint tangent_guess);

}  // namespace coldframe::sky
