#include "coldframe/stars/profile_fit.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <new>
#include <numbers>

#include "stars/profile_lm.hpp"
#include "stars/star_from_fit.hpp"

namespace coldframe::stars {
namespace {

/// Radial profile of unit peak against the squared radius in half widths.
class Radial {
 public:
  explicit Radial(double beta) noexcept
      : beta_(beta), k_(beta > 0.0 ? std::exp2(1.0 / beta) - 1.0 : 0.0) {}
  [[nodiscard]] double operator()(double s) const noexcept {
    return beta_ > 0.0 ? std::exp(-beta_ * std::log1p(k_ * s)) : std::exp2(-s);
  }

 private:
  double beta_;
  double k_;
};

/// The profile integrated over the pixel centred at (x, 0); `cells` sub-cells per
/// axis of 3 nodes each keep narrow profiles exact.
double pixel_value(const Radial& radial, double half, double x, int cells) noexcept {
  const PixelRule rule = pixel_rule(3);
  double sum = 0.0;
  for (int cy = 0; cy < cells; ++cy) {
    for (std::size_t j = 0; j < 3; ++j) {
      // Even in y: the upper half of the pixel counts twice.
      const double dy = (cy + 0.5 + rule.node[j]) / (2.0 * cells) / half;
      for (int cx = 0; cx < 2 * cells; ++cx) {
        for (std::size_t i = 0; i < 3; ++i) {
          const double dx = (x - 0.5 + (cx + 0.5 + rule.node[i]) / (2.0 * cells)) / half;
          sum += rule.weight[i] * rule.weight[j] * radial(dx * dx + dy * dy);
        }
      }
    }
  }
  return sum / (2.0 * cells * cells);
}

}  // namespace

double recorded_fwhm(double fwhm, double beta) noexcept {
  if (!(fwhm > 0.0)) return 1.0;
  if (fwhm > 200.0) return fwhm;
  const Radial radial(beta);
  const double half = 0.5 * fwhm;
  const int cells = fwhm < 0.7 ? 6 : fwhm < 2.0 ? 2 : 1;
  const double target = 0.5 * pixel_value(radial, half, 0.0, cells);
  double low = 0.0;
  double high = half + 0.51;
  // Secant on the logarithm, kept inside the bracket (regula falsi, Illinois variant).
  double f_low = std::numbers::ln2;
  double f_high = std::log(pixel_value(radial, half, high, cells) / target);
  double x = high;
  for (int round = 0; round < 40 && high - low > 1e-6; ++round) {
    x = f_high < f_low ? low + (high - low) * f_low / (f_low - f_high) : 0.5 * (low + high);
    const double f = std::log(pixel_value(radial, half, x, cells) / target);
    if (std::abs(f) < 1e-7) break;
    if (f > 0.0) {
      low = x;
      f_low = f;
      f_high *= 0.5;
    } else {
      high = x;
      f_high = f;
      f_low *= 0.5;
    }
  }
  return 2.0 * x;
}

Ellipse recorded_ellipse(const Ellipse& optical, double beta) noexcept {
  return {recorded_fwhm(optical.major, beta), recorded_fwhm(optical.minor, beta),
          optical.angle_deg};
}

Star star_from_fit(const FitResult& fit, const Star& start, const Ellipse& recorded) noexcept {
  Star star = start;
  star.fitted = true;
  star.x = fit.x;
  star.y = fit.y;
  star.flux = fit.flux;
  star.sky = fit.sky;
  star.peak = fit.peak_pixel;
  star.beta = fit.beta;
  star.fwhm_major_px = recorded.major;
  star.fwhm_minor_px = recorded.minor;
  star.fwhm_px = std::sqrt(star.fwhm_major_px * star.fwhm_minor_px);
  star.ellipticity = 1.0 - star.fwhm_minor_px / star.fwhm_major_px;
  star.angle_deg = fit.ellipse.angle_deg;
  star.x_error = fit.x_error;
  star.y_error = fit.y_error;
  star.flux_error = fit.flux_error;
  // Widths add nearly in squares: d(recorded) = optical/recorded d(optical).
  const double optical = std::sqrt(fit.ellipse.major * fit.ellipse.minor);
  star.fwhm_error_px = fit.width_error * std::min(1.0, optical / star.fwhm_px);
  star.snr = fit.flux_error > 0.0 ? fit.flux / fit.flux_error : 0.0;
  star.chi2_per_dof = fit.chi2_per_dof;
  return star;
}

double optical_fwhm(double recorded, double beta) noexcept {
  // The difference of squares varies slowly: two corrections settle it.
  double optical = std::sqrt(std::max(recorded * recorded - 0.8, 0.25));
  for (int round = 0; round < 4; ++round) {
    const double miss = recorded * recorded - std::pow(recorded_fwhm(optical, beta), 2);
    optical = std::sqrt(std::max(optical * optical + miss, 0.1));
  }
  return optical;
}

Star fit_profile(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                 const Star& start, const ProfileFitOptions& options) noexcept {
  Star failed = start;
  failed.fitted = false;
  if (image.size() != mask.size()) return failed;
  FitSetup setup;
  setup.x = start.x;
  setup.y = start.y;
  setup.flux = start.flux;
  setup.fwhm = start.fwhm_px > 0.0 ? optical_fwhm(start.fwhm_px, 3.5) : 3.0;
  setup.sky = start.sky;
  setup.gaussian = options.gaussian;
  setup.free_beta = options.fixed_beta <= 0.0;
  setup.beta = options.fixed_beta > 0.0 ? options.fixed_beta : 3.5;
  setup.radius_px = options.radius_px;
  setup.sky_sigma = options.sky_sigma;
  setup.gain_e_per_unit = options.gain_e_per_unit;
  try {
    const auto work = std::make_unique<FitWorkspace>();
    const FitResult fit = fit_star(image, mask, setup, *work);
    return fit.converged ? star_from_fit(fit, start, recorded_ellipse(fit.ellipse, fit.beta))
                         : failed;
  } catch (const std::bad_alloc&) {
    return failed;
  }
}

}  // namespace coldframe::stars
