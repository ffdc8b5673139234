#include "coldframe/stack/weights.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::stack {

std::string_view to_string(Weighting weighting) noexcept {
  switch (weighting) {
    case Weighting::inverse_variance:
      return "inverse-variance";
    case Weighting::point_source:
      return "point-source";
    case Weighting::equal:
      return "equal";
    case Weighting::owner:
      return "owner";
  }
  return "";
}

namespace {

/// On the common scale a sub's pixel has the standard deviation scale * noise. For stars the
/// share of a sub in the squared signal-to-noise also falls with the noise pixels
/// under its profile, 4 pi sigma^2 for a Gaussian.
double raw_weight(const SubNoise& sub, Weighting weighting) noexcept {
  if (!(sub.noise > 0.0) || !(sub.scale > 0.0) || !std::isfinite(sub.noise * sub.scale)) return 0.0;
  if (weighting == Weighting::equal) return 1.0;
  if (weighting == Weighting::owner) return std::max(sub.owner, 0.0);
  const double sd = sub.noise * sub.scale;
  const double weight = 1.0 / (sd * sd);
  if (weighting == Weighting::inverse_variance) return weight;
  return sub.fwhm_px > 0.0 ? weight / (sub.fwhm_px * sub.fwhm_px) : 0.0;
}

}  // namespace

std::vector<double> sub_weights(std::span<const SubNoise> subs, Weighting weighting) {
  std::vector<double> weights;
  double sum = 0.0;
  for (const SubNoise& sub : subs) {
    weights.push_back(raw_weight(sub, weighting));
    sum += weights.back();
  }
  if (!(sum > 0.0)) return weights;
  for (double& w : weights) w /= sum;
  return weights;
}

}  // namespace coldframe::stack
