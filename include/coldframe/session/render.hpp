/// \file
/// A picture of a result, or of several as channels.
#pragma once

#include <array>
#include <filesystem>
#include <optional>

#include "coldframe/core/parallel.hpp"
#include "coldframe/view/picture.hpp"

namespace coldframe::session {

/// One FITS image of one or three planes, or three files as channels, as PNG or TIFF.
struct RenderJob {
  std::filesystem::path in;
  std::filesystem::path red, green, blue;
  std::filesystem::path luminance;  ///< brightness for the colours; may be empty
  std::filesystem::path out;        ///< .png, .tif or .tiff
  view::StretchOptions stretch;
  double saturation = 1.0;
  std::optional<std::array<int, 4>> crop;  ///< x, y, width, height; FITS row order
  int longest_px = 0;                      ///< 0: full size
  int bits = 8;
  bool linear = false;  ///< unstretched light, for further work

  double smooth_sigma = 0.0;           ///< 0: no smoothing
  int sharpen_iterations = 0;          ///< 0: no sharpening
  std::optional<double> star_fwhm_px;  ///< to sharpen with; unset: the file's FWHM card

  bool annotate = false;          ///< scale bar and directions; needs a solved image
  std::filesystem::path objects;  ///< table of objects to mark: name, ra, dec[, radius]; or empty
  Threads threads;
};
/// Throws Error(usage) for orders that contradict each other or the image, Error(input) for broken
/// files, Error(io) when the picture cannot be written.
void render_file(const RenderJob& job);

}  // namespace coldframe::session
