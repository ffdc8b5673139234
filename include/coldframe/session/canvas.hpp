/// \file
/// The grid that a result is written on.
///
/// A canvas is an upright piece of the reference sub's pixel plane, finer or coarser by a stated
/// factor. Pixel edges stay aligned: with `scale` s and the reference's pixel (x0, y0) in the
/// corner, reference position r lies at s (r - r0 + 1/2) - 1/2 on the canvas (0-based, centres
/// at integers).
#pragma once

#include <span>
#include <string>
#include <vector>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/header.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::session {

enum class CanvasChoice {
  reference,  ///< the reference sub's own frame
  common,     ///< the largest upright rectangle that every kept sub covers
  all         ///< the smallest upright rectangle that holds every kept sub
};

struct CanvasOptions {
  CanvasChoice choice = CanvasChoice::reference;
  double scale = 1.0;  ///< result pixels per reference pixel, along one axis
  friend bool operator==(const CanvasOptions&, const CanvasOptions&) = default;
};

/// One sub as the choice sees it.
struct Footprint {
  Size frame;
  Transform to_reference;
};

struct Canvas {
  Size size;
  int x0 = 0;  ///< reference pixel whose lower left corner is the canvas's
  int y0 = 0;
  double scale = 1.0;

  [[nodiscard]] bool is_reference(Size reference) const noexcept {
    return x0 == 0 && y0 == 0 && scale == 1.0 && size == reference;
  }
};

/// Throws Error(not_enough_data) when the subs have no common rectangle worth the name,
/// Error(usage) when the canvas would be larger than a FITS image can sensibly be.
[[nodiscard]] Canvas choose_canvas(std::span<const Footprint> subs, Size reference,
                                   const CanvasOptions& options);

/// `to_reference` followed by the step onto the canvas; exact for every model.
[[nodiscard]] Transform onto_canvas(const Transform& to_reference, const Canvas& canvas);

/// Brings sky coordinates (CRPIX, CD or CDELT, SIP) and pixel size of a reference's header onto
/// the canvas.
void move_sky_coordinates(Header& header, const Canvas& canvas);

}  // namespace coldframe::session
