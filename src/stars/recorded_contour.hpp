/// \file
/// Half-maximum contour of the stars as recorded, free of the fitted profile's form.
///
/// A smeared or defocused star is no Moffat: its fitted width and shape are off by some percent.
/// The pixels of all trusted stars, each scaled by its own width and flux, are samples of the one
/// recorded profile (in the sense of Anderson & King 2000, PASP 112, 1360: pixel response
/// included). The mean Moffat times a smooth even polynomial with two- and fourfold terms is fitted
/// to them by weighted linear least squares, and its contour at half of its central value measured.
#pragma once

#include <optional>
#include <vector>

#include "coldframe/core/star.hpp"
#include "stars/detect.hpp"

namespace coldframe::stars {

/// The mean star that the contour is a correction to.
struct MeanStar {
  double ellipticity = 0.0;  ///< 1 - minor/major
  double angle_deg = 0.0;
  double beta = 0.0;  ///< 0: Gaussian
};

struct RecordedContour {
  double width_ratio = 1.0;  ///< diameter of the circle with the contour's area / fitted FWHM
  double ellipticity = 0.0;  ///< 1 - least/greatest diameter
};

/// Unset when the stars together are too faint to better the fits (8 stars, summed snr^2 of 300^2)
/// or the contour does not come out near the mean star's.
[[nodiscard]] std::optional<RecordedContour> recorded_contour(const DetectionFrame& frame,
                                                              const std::vector<const Star*>& stars,
                                                              const MeanStar& mean);

}  // namespace coldframe::stars
