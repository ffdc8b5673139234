#include "stars/quality.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/statistics.hpp"
#include "stars/recorded_contour.hpp"

namespace coldframe::stars {
namespace {

/// Stars whose shape is trusted: fitted, and fitted no worse than their peers.
std::vector<const Star*> trusted_stars(const std::vector<Source>& sources) {
  std::vector<const Star*> isolated;
  std::vector<const Star*> all;
  for (const Source& s : sources) {
    const bool whole_star = s.star.kind == StarClass::star || s.star.kind == StarClass::crowded;
    if (s.dropped || !s.star.fitted || !whole_star || s.star.snr < 10.0) continue;
    all.push_back(&s.star);
    if (s.isolated && s.star.kind == StarClass::star) isolated.push_back(&s.star);
  }
  std::vector<const Star*> chosen = isolated.size() >= 10 ? isolated : all;
  std::vector<double> chi2;
  for (const Star* star : chosen) chi2.push_back(star->chi2_per_dof);
  if (chi2.empty()) return chosen;
  const double limit = std::max(3.0, 3.0 * median_in_place(chi2));
  std::erase_if(chosen, [&](const Star* star) { return star->chi2_per_dof > limit; });
  // Faint stars tell little of the width, and unseen neighbours widen them most.
  std::stable_sort(chosen.begin(), chosen.end(),
                   [](const Star* a, const Star* b) { return a->snr > b->snr; });
  constexpr std::size_t plenty = 40;
  if (chosen.size() > plenty) chosen.resize(std::max(plenty, chosen.size() / 2));
  return chosen;
}

/// Mean after leaving out what is farther than 3.5 robust sigmas from the median.
/// `error`: its standard error, 0 for fewer than 3 values.
double clipped_mean(const std::vector<double>& values, double& error) {
  const double mid = median(values);
  const double scale = values.size() > 2 ? robust_sigma(values) : 0.0;
  double sum = 0.0;
  double count = 0.0;
  for (const double v : values) {
    if (scale > 0.0 && std::abs(v - mid) > 3.5 * scale) continue;
    sum += v;
    count += 1.0;
  }
  error = count > 0.0 ? scale / std::sqrt(count) : 0.0;
  return count > 0.0 ? sum / count : mid;
}

/// Mean ellipse from second moments: (a^2 - b^2)/(a^2 + b^2) as a vector at twice the angle.
void mean_ellipse(const std::vector<const Star*>& stars, FrameQuality& quality) {
  std::vector<double> along;
  std::vector<double> across;
  for (const Star* star : stars) {
    const double a2 = star->fwhm_major_px * star->fwhm_major_px;
    const double b2 = star->fwhm_minor_px * star->fwhm_minor_px;
    const double e = (a2 - b2) / (a2 + b2);
    const double twice = 2.0 * star->angle_deg * std::numbers::pi / 180.0;
    along.push_back(e * std::cos(twice));
    across.push_back(e * std::sin(twice));
  }
  double error_x = 0.0;
  double error_y = 0.0;
  const double ex = clipped_mean(along, error_x);
  const double ey = clipped_mean(across, error_y);
  // (a^2-b^2)/(a^2+b^2) is about 1 - b/a where shapes are nearly round.
  quality.ellipticity_error = std::sqrt(0.5 * (error_x * error_x + error_y * error_y));
  const double e = std::min(std::hypot(ex, ey), 0.999);
  quality.ellipticity = 1.0 - std::sqrt((1.0 - e) / (1.0 + e));
  const double angle = 0.5 * std::atan2(ey, ex) * 180.0 / std::numbers::pi;
  quality.angle_deg = angle < 0.0 ? angle + 180.0 : angle;
}

/// What the fitted form cannot follow: smear and defocus.
void take_contour(const DetectionFrame& frame, const std::vector<const Star*>& stars,
                  FrameQuality& quality) {
  const auto contour =
      recorded_contour(frame, stars, {quality.ellipticity, quality.angle_deg, quality.beta});
  if (!contour) return;
  quality.fwhm_px *= contour->width_ratio;
  // Of nearly round stars the contour shows its noise; the mean moments do not.
  constexpr double nearly_round = 0.015;
  if (quality.ellipticity < nearly_round) return;
  // The direction stays that of the moments: pixels turn the contour of undersampled stars.
  quality.ellipticity = contour->ellipticity;
}

}  // namespace

FrameQuality frame_quality(const DetectionFrame& frame, const std::vector<Source>& sources,
                           const FieldProfile& profile) {
  const SkyMesh& sky = *frame.sky;
  FrameQuality quality;
  quality.sky_level = sky.median_level();
  quality.noise_per_px = sky.median_noise();
  if (!std::isfinite(quality.sky_level)) {
    quality.sky_level = 0.0;
    quality.noise_per_px = 0.0;
    quality.status = QualityStatus::no_sky;
    return quality;
  }
  for (const Source& s : sources) {
    if (s.dropped) continue;
    if (is_star(s.star.kind)) ++quality.stars;
  }
  const std::vector<const Star*> stars = trusted_stars(sources);
  quality.fitted = static_cast<int>(stars.size());
  quality.status = stars.size() >= 10  ? QualityStatus::good
                   : stars.size() >= 3 ? QualityStatus::few_stars
                                       : QualityStatus::no_stars;
  if (stars.empty()) return quality;
  std::vector<double> widths;
  for (const Star* star : stars) widths.push_back(star->fwhm_px);
  quality.fwhm_px = median(widths);
  quality.fwhm_scatter_px = widths.size() > 1 ? robust_sigma(widths) : 0.0;
  // sqrt(pi/2): the median's error over the mean's.
  quality.fwhm_error_px =
      1.2533 * quality.fwhm_scatter_px / std::sqrt(static_cast<double>(widths.size()));
  quality.beta = profile.gaussian ? 0.0 : profile.beta;
  mean_ellipse(stars, quality);
  if (!profile.rings) take_contour(frame, stars, quality);  // a ring's half maximum is no contour
  return quality;
}

}  // namespace coldframe::stars
