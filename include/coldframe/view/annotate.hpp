/// \file
/// Scale bar, directions and marked objects drawn onto a finished picture.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "coldframe/view/picture.hpp"

namespace coldframe::view {

/// In pixels of the picture: x to the right, y down, from the middle of its upper left pixel.
struct PicturePoint {
  double x = 0.0;
  double y = 0.0;
};

struct MarkedObject {
  PicturePoint at;
  double radius_px = 0.0;  ///< of the ring; 0: the least ring that reads well
  std::string label;       ///< letters of ASCII, digits, the degree sign; others show as a box
};

struct ScaleBar {
  double length_px = 0.0;
  std::string label;
};

/// Directions on the picture, any length; drawn as arrows of one size.
struct Compass {
  PicturePoint north;
  PicturePoint east;
};

struct Annotations {
  std::optional<ScaleBar> bar;     ///< drawn at the lower left
  std::optional<Compass> compass;  ///< drawn at the lower right
  std::vector<MarkedObject> objects;
};

/// Draws in white with a dark rim, so that it reads on sky and on bright cores alike; sizes follow
/// the picture's. Objects outside the picture are passed over.
void annotate(LightPicture& picture, const Annotations& annotations);

/// The longest of 1, 2, 3, 5, 10, 15, 20, 30 arcsec, arcmin or degrees that covers at most a
/// quarter of a picture `width_px` wide, with its name.
[[nodiscard]] ScaleBar scale_bar(double arcsec_per_px, int width_px);

}  // namespace coldframe::view
