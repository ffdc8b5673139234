/// \file
/// Detection, profile fits and per-sub quality of one calibrated frame.
///
/// Detection: matched filter (Gaussian of the width found in the image itself)
/// on the sky-subtracted, variance-normalised image; connected peaks with
/// deblending; classes by shape relative to the field's own profile.
/// Fits: elliptical Moffat (Moffat 1969, A&A 3, 455), integrated over pixels,
/// Levenberg-Marquardt weighted by variance; the reported FWHM is the width of
/// the profile as recorded, i.e. convolved with the pixel.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/star.hpp"
#include "coldframe/stars/sky_mesh.hpp"

namespace coldframe::stars {

struct MeasureOptions {
  double threshold_sigma = 5.0;   ///< peak of the filtered image, in its own noise
  int max_fits = 400;             ///< brightest unsaturated, isolated sources fitted in full; 0 = all
  int max_stars = 20000;          ///< brightest kept in the list
  /// Photon noise: variance of a pixel grows by (value - sky) / gain above the
  /// sky's measured variance. 1 for electrons.
  double gain_e_per_unit = 1.0;
  /// Mosaic frames: fit and measure on the green samples only.
  CfaPattern cfa = CfaPattern::none;
  SkyMeshOptions sky;
  /// All faults of the options in words, empty when usable.
  [[nodiscard]] std::vector<std::string> faults() const;
};

enum class QualityStatus {
  good,           ///< figures are from at least `few_stars` fitted stars
  few_stars,      ///< between 3 and 9 fitted stars: figures are rough
  no_stars,       ///< fewer than 3: only sky and noise are meaningful
  no_sky          ///< not even a sky level: nothing usable in the frame
};

/// One line on a sub. Pixel unit as the image; angles as in Star.
struct FrameQuality {
  QualityStatus status = QualityStatus::no_sky;
  int stars = 0;              ///< detections classed as star or saturated
  int fitted = 0;
  double fwhm_px = 0.0;       ///< median of fitted stars, as recorded
  double fwhm_scatter_px = 0.0;
  double ellipticity = 0.0;   ///< of the mean second moments: random shapes cancel
  double angle_deg = 0.0;
  double beta = 0.0;
  double sky_level = 0.0;
  double noise_per_px = 0.0;
};

struct FrameMeasurement {
  StarList stars;    ///< by falling flux; only classes star and saturated
  StarList others;   ///< everything else that was seen (sharp, extended, edge)
  SkyMesh sky;
  FrameQuality quality;
};

/// Measures one plane. `mask` has the image's size. Throws Error(usage) on bad options.
[[nodiscard]] FrameMeasurement measure_frame(PlaneView<const float> image,
                                             PlaneView<const std::uint8_t> mask,
                                             const MeasureOptions& options, Threads threads);

[[nodiscard]] std::string_view to_string(QualityStatus status) noexcept;

}  // namespace coldframe::stars
