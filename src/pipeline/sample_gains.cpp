#include "sample_gains.hpp"

#include <algorithm>
#include <cmath>

#include "combine_tile_loader.hpp"

namespace coldframe::pipeline {

SampleGains::SampleGains(std::span<const CombineSub> subs, const CombineSettings& settings)
    : subs_(subs),
      settings_(settings),
      gains_(subs.size() * static_cast<std::size_t>(settings.planes), 1.0) {
  if (settings.identity) return;
  for (std::size_t i = 0; i < subs.size(); ++i) {
    const bool mosaic = subs[i].calibration->cfa != CfaPattern::none;
    for (std::size_t p = 0; p < static_cast<std::size_t>(settings.planes); ++p) {
      double& gain = gains_[p * subs.size() + i];
      gain = mosaic ? response_of(subs[i]).pixel[p] : (exact(subs[i]) ? -1.0 : mean_response(subs[i], 1));
    }
  }
}

Point SampleGains::middle() const noexcept {
  return {std::floor(settings_.canvas.width / 2.0), std::floor(settings_.canvas.height / 2.0)};
}

double SampleGains::step(const CombineSub& sub) const noexcept {
  if (settings_.identity) return 1.0;
  return std::sqrt(area_factor(sub, sub.transform.unapply(middle())));
}

double SampleGains::mean_response(const CombineSub& sub, int aperture) const {
  return mean_aperture_response(settings_.resample.kernel, step(sub), aperture);
}

bool SampleGains::exact(const CombineSub& sub) const noexcept {
  return !settings_.identity && sub.calibration->cfa == CfaPattern::none &&
         phase_is_smooth(sub.transform);
}

// One response per pattern, with the noise of the first sub that has it:
// what counts is the ratio of the colours, a fact of sensor and sky.
const NoiseResponse& SampleGains::response_of(const CombineSub& sub) {
  const CfaPattern cfa = sub.calibration->cfa;
  auto& known = responses_[static_cast<std::size_t>(cfa)];
  if (known) return *known;
  std::array<double, 3> noise{1.0, 1.0, 1.0};
  for (std::size_t p = 0; cfa != CfaPattern::none && p < 3; ++p) {
    noise[p] = std::max((*sub.sky)[p].mesh.median_noise(), 1e-6);
  }
  known = noise_response(cfa, settings_.demosaic, settings_.resample, noise);
  return *known;
}

double SampleGains::aperture_response_of(const CombineSub& sub, std::size_t plane,
                                         std::size_t k) const {
  if (settings_.identity) return 1.0;
  const int side = aperture_sides[k];
  const double pixel = step(sub);
  if (const auto& known = responses_[static_cast<std::size_t>(sub.calibration->cfa)]) {
    // The known aperture that comes nearest on the sensor; per canvas pixel.
    std::size_t nearest = 0;
    for (std::size_t n = 1; n < aperture_sides.size(); ++n) {
      if (aperture_sides[n] <= 1.4 * side * pixel) nearest = n;
    }
    return known->aperture[plane][nearest] / (pixel * pixel);
  }
  if (!exact(sub)) return mean_response(sub, side);
  return aperture_response(settings_.resample.kernel, sub.transform.unapply(middle()), pixel, side);
}

ApertureFactors SampleGains::aperture_factors(std::size_t plane, const CommonNoise& common) const {
  const auto p = static_cast<int>(plane);
  const Point centre = middle();
  const double level = settings_.sky_level[plane];
  CommonScratch scratch;
  double weight = 0.0;
  double pixel = 0.0;
  ApertureFactors sums{};
  std::vector<double> responses(subs_.size(), 1.0);
  for (std::size_t k = 0; k < aperture_sides.size(); ++k) {
    weight = pixel = 0.0;
    for (std::size_t i = 0; i < subs_.size(); ++i) {
      const auto& sub = subs_[i];
      const double sd = (*sub.sky)[plane].mesh.median_noise() * sub.scale * sub.weights[plane] *
                        step(sub) * step(sub);
      const double own = gain(i, plane) >= 0.0
                             ? gain(i, plane)
                             : align::noise_gain(sub.transform, centre, settings_.resample.kernel);
      responses[i] = aperture_response_of(sub, plane, k);
      pixel += sd * sd * own;
      sums[k] += sd * sd * responses[i];
      weight += sub.weights[plane];
    }
    if (!common.present() || !(weight > 0.0)) continue;
    const double norm = weight * weight;
    sums[k] += norm * common.at(centre, p, aperture_sides[k], responses, scratch).at(level);
    pixel += norm * common.at(centre, p, 1, of(plane), scratch).at(level);
  }
  for (double& sum : sums) sum = pixel > 0.0 ? std::sqrt(sum / pixel) : 1.0;
  return sums;
}

}  // namespace coldframe::pipeline
