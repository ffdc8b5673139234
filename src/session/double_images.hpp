/// \file
/// Subs in which the mount jumped: every star twice, at one displacement.
#pragma once

#include <optional>

#include "coldframe/core/star.hpp"

namespace coldframe::session {

struct DoubleImage {
  double distance_px = 0.0;
  double share = 0.0;  ///< light of the second image relative to the first
};

/// The displacement at which most bright stars have a companion of the same relative brightness;
/// unset when no displacement stands out of what chance neighbours give. Finds images further apart
/// than about one and a half star widths: nearer ones show as drawn-out stars.
[[nodiscard]] std::optional<DoubleImage> find_double_images(const StarList& stars, double fwhm_px);

}  // namespace coldframe::session
