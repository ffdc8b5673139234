// What stands before and after the stretch of a picture: the image as enhanced, what is drawn on
// it.
#pragma once

#include <string>

#include "coldframe/core/geometry.hpp"
#include "coldframe/session/render.hpp"
#include "coldframe/view/annotate.hpp"

namespace coldframe::session {

/// The image of a file, sharpened and smoothed as the job asks.
[[nodiscard]] Image read_for_picture(const std::filesystem::path& path, const RenderJob& job);

/// What was done to the pixels beyond the stretch, for the picture's description; empty: nothing.
[[nodiscard]] std::string render_note(const RenderJob& job);

/// Where a picture lies in its image.
struct PictureFrame {
  int x0 = 0, y0 = 0;  ///< image pixel at the picture's lower left, FITS row order
  int factor = 1;      ///< image pixels per picture pixel
  Size size;           ///< of the picture
};
/// Throws Error(usage) when the image has no position on the sky.
[[nodiscard]] view::Annotations annotations_for(const RenderJob& job,
                                                const std::filesystem::path& image,
                                                const PictureFrame& frame);

}  // namespace coldframe::session
