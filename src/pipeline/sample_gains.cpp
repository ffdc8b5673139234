#include "sample_gains.hpp"

#include <algorithm>
#include <cmath>

#include "combine_tile_loader.hpp"

namespace coldframe::pipeline {
namespace {

constexpr double same_step = 0.02;

}  // namespace

SampleGains::SampleGains(std::span<const CombineSub> subs, const CombineSettings& settings)
    : subs_(subs),
      settings_(settings),
      gains_(subs.size() * static_cast<std::size_t>(settings.planes), 1.0) {
  if (settings.identity) return;
  for (std::size_t i = 0; i < subs.size(); ++i) {
    const bool mosaic = subs[i].calibration->cfa != CfaPattern::none;
    for (std::size_t p = 0; p < static_cast<std::size_t>(settings.planes); ++p) {
      double& gain = gains_[p * subs.size() + i];
      if (mosaic) {
        gain = response_of(subs[i]).pixel[p];
      } else if (exact(subs[i])) {
        gain = -1.0;
      } else {
        gain = mean_aperture_response(settings.resample.kernel, step(subs[i]), 1);
        keep_mean_responses(subs[i]);
      }
    }
  }
}

Point SampleGains::middle() const noexcept {
  return {std::floor(settings_.canvas.width / 2.0), std::floor(settings_.canvas.height / 2.0)};
}

double SampleGains::step(const CombineSub& sub) const noexcept {
  if (settings_.identity) return 1.0;
  return std::sqrt(sub.transform.source_area(sub.transform.unapply(middle())));
}

// Subs of one camera have nearly one step: what was found for it is kept.
double SampleGains::mean_response(const CombineSub& sub, std::size_t k) const {
  const double pixel = step(sub);
  for (const auto& known : mean_responses_) {
    if (std::fabs(known.step - pixel) < 1e-3) return known.factors[k];
  }
  return mean_aperture_response(settings_.resample.kernel, pixel, aperture_sides[k]);
}

void SampleGains::keep_mean_responses(const CombineSub& sub) {
  const double pixel = step(sub);
  for (const auto& known : mean_responses_) {
    if (std::fabs(known.step - pixel) < 1e-3) return;
  }
  auto& fresh = mean_responses_.emplace_back();
  fresh.step = pixel;
  for (std::size_t k = 0; k < aperture_sides.size(); ++k) {
    fresh.factors[k] = mean_aperture_response(settings_.resample.kernel, pixel, aperture_sides[k]);
  }
}

bool SampleGains::exact(const CombineSub& sub) const noexcept {
  return !settings_.identity && sub.calibration->cfa == CfaPattern::none &&
         phase_is_smooth(sub.transform);
}

const NoiseResponse* SampleGains::known_response(const CombineSub& sub) const noexcept {
  const double pixel = step(sub);
  for (const auto& known : responses_) {
    if (known.cfa == sub.calibration->cfa && std::fabs(pixel / known.step - 1.0) < same_step) {
      return &known.response;
    }
  }
  return nullptr;
}

// One response per pattern and size of pixels, with the noise of the first sub that has it:
// what counts is the ratio of the colours, a fact of sensor and sky.
const NoiseResponse& SampleGains::response_of(const CombineSub& sub) {
  const CfaPattern cfa = sub.calibration->cfa;
  if (const auto* known = known_response(sub)) return *known;
  // Subs of one camera differ in the last digits only.
  const double pixel = std::fabs(step(sub) - 1.0) < same_step ? 1.0 : step(sub);
  std::array<double, 3> noise{1.0, 1.0, 1.0};
  for (std::size_t p = 0; cfa != CfaPattern::none && p < 3; ++p) {
    noise[p] = std::max((*sub.sky)[p].mesh.median_noise(), 1e-6);
  }
  responses_.push_back(
      {cfa, pixel, noise_response(cfa, settings_.demosaic, settings_.resample, noise, pixel)});
  return responses_.back().response;
}

double SampleGains::aperture_response_of(const CombineSub& sub, std::size_t plane, std::size_t k,
                                         Point in_sub) const {
  if (settings_.identity) return 1.0;
  const int side = aperture_sides[k];
  const double pixel = step(sub);
  if (const auto* known = known_response(sub)) return known->aperture[plane][k];
  if (!exact(sub)) return mean_response(sub, k);
  return aperture_response(settings_.resample.kernel, in_sub, pixel, side);
}

// Variances per pixel of the combination about one place; nothing when no sub lies there.
void SampleGains::add_place(Point centre, std::size_t plane, const CommonNoise& common,
                            Variances& sums) const {
  const auto p = static_cast<int>(plane);
  const double level = settings_.sky_level[plane];
  Variances here;
  double weight = 0.0;
  std::vector<double> responses(subs_.size(), 1.0);
  for (std::size_t i = 0; i < subs_.size(); ++i) {
    const auto& sub = subs_[i];
    const Point at = settings_.identity ? centre : sub.transform.unapply(centre);
    if (!lies_in_frame((*sub.sky)[plane], at)) continue;
    const double area = step(sub) * step(sub);
    const double sd =
        (*sub.sky)[plane].noise_at(at.x, at.y) * sub.scale * sub.weights[plane] * area;
    const double own = gain(i, plane) >= 0.0
                           ? gain(i, plane)
                           : align::noise_gain(sub.transform, centre, settings_.resample.kernel);
    here.pixel += sd * sd * own;
    weight += sub.weights[plane];
    for (std::size_t k = 0; k < aperture_sides.size(); ++k) {
      here.aperture[k] += sd * sd * aperture_response_of(sub, plane, k, at);
    }
  }
  if (!(weight > 0.0)) return;
  const double norm = 1.0 / (weight * weight);
  CommonScratch scratch;
  ++sums.places;
  sums.pixel += norm * here.pixel + common.at(centre, p, 1, of(plane), scratch).at(level);
  for (std::size_t k = 0; k < aperture_sides.size(); ++k) {
    for (std::size_t i = 0; i < subs_.size(); ++i) {
      const Point at = settings_.identity ? centre : subs_[i].transform.unapply(centre);
      responses[i] = aperture_response_of(subs_[i], plane, k, at);
    }
    const double shared = common.at(centre, p, aperture_sides[k], responses, scratch).at(level);
    sums.aperture[k] += norm * here.aperture[k] + shared;
    sums.common[k] += shared;
  }
}

void SampleGains::add_places(std::size_t plane, const CommonNoise& common, Variances& sums) const {
  // Where subs turn against each other, what they share changes over the canvas: the mean of
  // several places stands for all. Whole pixels: the phase is that of a pixel.
  constexpr int places = 5;
  for (int j = 0; j < places; ++j) {
    for (int i = 0; i < places; ++i) {
      add_place({std::floor((i + 0.5) / places * settings_.canvas.width),
                 std::floor((j + 0.5) / places * settings_.canvas.height)},
                plane, common, sums);
    }
  }
}

double SampleGains::common_variance(std::size_t plane, const CommonNoise& common) const {
  constexpr std::size_t k = 1;
  static_assert(aperture_sides[k] == depth_block_px);
  if (!common.present()) return 0.0;
  Variances sums;
  add_places(plane, common, sums);
  constexpr double pixels = depth_block_px * depth_block_px;
  return sums.places > 0 ? sums.common[k] / sums.places / pixels : 0.0;
}

ApertureFactors SampleGains::aperture_factors(std::size_t plane, const CommonNoise& common) const {
  Variances sums;
  add_places(plane, common, sums);
  ApertureFactors factors{};
  for (std::size_t k = 0; k < factors.size(); ++k) {
    factors[k] = sums.pixel > 0.0 ? std::sqrt(sums.aperture[k] / sums.pixel) : 1.0;
  }
  return factors;
}

}  // namespace coldframe::pipeline
