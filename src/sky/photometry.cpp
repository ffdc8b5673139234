#include "coldframe/sky/photometry.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/statistics.hpp"
#include "robust_line.hpp"

namespace coldframe::sky {
namespace {

constexpr std::size_t colours_wanted = 10;
constexpr double colour_spread_wanted = 0.1;

// Median colour of the samples when they are many and spread enough for a slope.
template <typename Sample>
std::optional<double> colour_pivot(std::span<const Sample> samples) {
  std::vector<double> colours;
  for (const auto& sample : samples) {
    if (std::isfinite(sample.colour)) colours.push_back(sample.colour);
  }
  if (colours.size() < colours_wanted) return std::nullopt;
  if (robust_sigma(colours) < colour_spread_wanted) return std::nullopt;
  return median_in_place(colours);
}

}  // namespace

double ZeroPoint::at(double colour) const noexcept {
  if (!colour_term || !std::isfinite(colour)) return magnitude.value;
  return magnitude.value + colour_term->value * (colour - colour_pivot);
}

std::optional<ZeroPoint> fit_zero_point(std::span<const ZeroPointSample> samples) {
  const auto pivot = colour_pivot(samples);
  std::vector<LinePoint> points;
  std::vector<std::size_t> owner;
  for (std::size_t i = 0; i < samples.size(); ++i) {
    const auto& s = samples[i];
    if (pivot && !std::isfinite(s.colour)) continue;
    points.push_back({pivot ? s.colour - *pivot : 0.0, s.magnitude - s.instrumental,
                      std::hypot(s.instrumental_error, s.magnitude_error)});
    owner.push_back(i);
  }
  const auto line = fit_robust_line(points, pivot.has_value());
  if (!line) return std::nullopt;
  ZeroPoint zero;
  zero.magnitude = line->level;
  zero.scatter = line->scatter;
  zero.stars = static_cast<int>(line->count);
  zero.left_out = static_cast<int>(points.size() - line->count);
  if (pivot) {
    zero.colour_term = line->slope;
    zero.colour_pivot = *pivot;
  }
  zero.used.assign(samples.size(), false);
  for (std::size_t k = 0; k < owner.size(); ++k) zero.used[owner[k]] = line->used[k];
  return zero;
}

double noise_equivalent_area(double fwhm_px, double beta) noexcept {
  if (beta <= 1.0) {
    const double sigma = fwhm_px / fwhm_over_sigma;
    return 4.0 * std::numbers::pi * sigma * sigma;
  }
  const double alpha = 0.5 * fwhm_px / std::sqrt(std::pow(2.0, 1.0 / beta) - 1.0);
  return std::numbers::pi * alpha * alpha * (2.0 * beta - 1.0) / ((beta - 1.0) * (beta - 1.0));
}

double surface_brightness(double zero_point, double level_per_px, double exposure_s,
                          double arcsec_per_px) noexcept {
  return zero_point - 2.5 * std::log10(level_per_px / (exposure_s * arcsec_per_px * arcsec_per_px));
}

double limiting_magnitude(const DepthInput& d) noexcept {
  constexpr double sigmas = 5.0;
  const double error =
      d.noise_per_px * std::sqrt(noise_equivalent_area(d.fwhm_px, d.beta)) * d.star_noise_factor;
  return d.zero_point - 2.5 * std::log10(sigmas * error / d.exposure_s);
}

double limiting_surface_brightness(const DepthInput& d) noexcept {
  constexpr double sigmas = 3.0;
  constexpr double side_arcsec = 10.0;
  const double side_px = side_arcsec / d.arcsec_per_px;
  const double error = d.noise_per_px * d.area_noise_factor / std::max(side_px, 1.0);
  return surface_brightness(d.zero_point, sigmas * error, d.exposure_s, d.arcsec_per_px);
}

std::vector<DepthPoint> depth_growth(std::span<const DepthStep> steps, double final_magnitude) {
  double total = 0.0;
  for (const auto& step : steps) total += step.information;
  std::vector<DepthPoint> points;
  double exposure = 0.0;
  double sum = 0.0;
  for (const auto& step : steps) {
    exposure += step.exposure_s;
    sum += step.information;
    if (!(sum > 0.0)) continue;
    // The error falls with the square root of the information.
    points.push_back({exposure, final_magnitude + 1.25 * std::log10(sum / total)});
  }
  return points;
}

std::optional<Extinction> fit_extinction(std::span<const ExtinctionSample> samples) {
  constexpr std::size_t fewest = 5;
  constexpr double least_range = 0.1;
  std::vector<LinePoint> points;
  for (const auto& s : samples) points.push_back({s.airmass, s.dimming, s.error});
  if (points.size() < fewest) return std::nullopt;
  const auto line = fit_robust_line(points, true);
  if (!line || line->count < fewest) return std::nullopt;
  Extinction found;
  found.airmass_low = std::numeric_limits<double>::max();
  for (std::size_t i = 0; i < samples.size(); ++i) {
    if (!line->used[i]) continue;
    found.airmass_low = std::min(found.airmass_low, samples[i].airmass);
    found.airmass_high = std::max(found.airmass_high, samples[i].airmass);
  }
  if (found.airmass_high - found.airmass_low < least_range) return std::nullopt;
  found.mag_per_airmass = line->slope;
  found.scatter = line->scatter;
  found.used = static_cast<int>(line->count);
  found.left_out = static_cast<int>(samples.size() - line->count);
  return found;
}

std::optional<ColourBalance> balance_colours(std::span<const ColourSample> samples,
                                             double white_colour) {
  constexpr std::size_t fewest = 5;
  const auto pivot = colour_pivot(samples);
  std::vector<LinePoint> red, blue;
  for (const auto& s : samples) {
    if (!(s.red > 0.0 && s.green > 0.0 && s.blue > 0.0)) continue;
    if (pivot && !std::isfinite(s.colour)) continue;
    const double x = pivot ? s.colour - white_colour : 0.0;
    red.push_back({x, -2.5 * std::log10(s.red / s.green), 0.0});
    blue.push_back({x, -2.5 * std::log10(s.blue / s.green), 0.0});
  }
  if (red.size() < fewest) return std::nullopt;
  const auto r = fit_robust_line(red, pivot.has_value());
  const auto b = fit_robust_line(blue, pivot.has_value());
  if (!r || !b) return std::nullopt;
  ColourBalance balance;
  balance.red = std::pow(10.0, 0.4 * r->level.value);
  balance.blue = std::pow(10.0, 0.4 * b->level.value);
  const double relative = 0.4 * std::numbers::ln10;
  balance.red_error = relative * r->level.error;
  balance.blue_error = relative * b->level.error;
  balance.stars = static_cast<int>(std::min(r->count, b->count));
  balance.from_catalogue = pivot.has_value();
  balance.white_colour = white_colour;
  return balance;
}

}  // namespace coldframe::sky
