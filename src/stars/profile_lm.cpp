#include "stars/profile_lm.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "stars/profile_engine.hpp"
#include "stars/spread.hpp"

namespace coldframe::stars {

void ProfileFit::finish(FitResult& result) noexcept {
  result.x = origin_x_ + now_[par_x];
  result.y = origin_y_ + now_[par_y];
  result.sky = setup_.sky + scale_ * now_[par_sky];
  result.s11 = now_[par_s11];
  result.s12 = now_[par_s12];
  result.s22 = now_[par_s22];
  result.beta = setup_.gaussian ? 0.0 : 1.0 / now_[par_b];
  result.ellipse = ellipse_of(result.s11, result.s12, result.s22);
  result.flux = scale_ * now_[par_peak] * unit_peak_flux(now_, setup_.gaussian);
  const auto dof = static_cast<double>(work_.pixels.count - free_.count);
  result.chi2_per_dof = cost_ / dof;
  float highest = 0.0F;
  for (std::size_t i = 0; i < work_.pixels.count; ++i) {
    highest = std::max(highest, work_.pixels.value[i]);
  }
  result.peak_pixel = scale_ * (static_cast<double>(highest) - now_[par_sky]);
  if (!errors(result)) result.converged = false;
  judge_spread(result);
}

void ProfileFit::judge_spread(FitResult& result) noexcept {
  const auto sky = static_cast<float>(now_[par_sky]);
  for (std::size_t i = 0; i < work_.pixels.count; ++i) {
    work_.weighted[i] = work_.pixels.value[i] - sky;
  }
  const SpreadPixels pixels{work_.pixels.x.data(),      work_.pixels.y.data(),
                            work_.weighted.data(),      work_.terms.g.data(),
                            work_.pixels.weight.data(), work_.pixels.count};
  const Spread spread = compare_spread(pixels, now_[par_x], now_[par_y], now_[par_peak], width_);
  result.spread_ratio = spread.ratio;
  result.spread_error = spread.error;
  result.spread_along = spread.along;
}

bool ProfileFit::errors(FitResult& result) noexcept {
  FitMatrix l{};
  if (!factor(0.0, l)) return false;
  const auto standard_error = [&](const ParameterVector& direction) {
    ParameterVector v{};
    for (std::size_t a = 0; a < free_.count; ++a) v[a] = direction[free_.index[a]];
    const ParameterVector d = v;
    solve(l, v);
    double variance = 0.0;
    for (std::size_t a = 0; a < free_.count; ++a) variance += d[a] * v[a];
    return std::sqrt(std::max(0.0, variance));
  };
  ParameterVector unit{};
  unit[par_x] = 1.0;
  result.x_error = standard_error(unit);
  unit = {};
  unit[par_y] = 1.0;
  result.y_error = standard_error(unit);
  if (free_.count > 0 && free_.index[free_.count - 1] == par_b) {
    unit = {};
    unit[par_b] = 1.0;
    result.inverse_beta_error = standard_error(unit);
  }
  const double det = result.s11 * result.s22 - result.s12 * result.s12;
  ParameterVector log_det{};  // derivative of ln det S
  log_det[par_s11] = result.s22 / det;
  log_det[par_s12] = -2.0 * result.s12 / det;
  log_det[par_s22] = result.s11 / det;
  ParameterVector log_flux{};
  for (std::size_t a = 0; a < parameter_count; ++a) log_flux[a] = -0.5 * log_det[a];
  log_flux[par_peak] = 1.0 / now_[par_peak];
  log_flux[par_b] = log_flux_by_b();
  result.flux_error = result.flux * standard_error(log_flux);
  const double width = std::sqrt(result.ellipse.major * result.ellipse.minor);
  result.width_error = 0.25 * width * standard_error(log_det);
  return std::isfinite(result.flux_error) && std::isfinite(result.x_error);
}

double ProfileFit::log_flux_by_b() const noexcept {
  const double b = now_[par_b];
  const double power = std::exp2(b);
  return 1.0 / (b * (1.0 - b)) - std::numbers::ln2 * power / (power - 1.0);
}

FitResult fit_star(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                   const FitSetup& setup, FitWorkspace& work) noexcept {
  if (!std::isfinite(setup.x) || !std::isfinite(setup.y) || !std::isfinite(setup.sky) ||
      std::abs(setup.x) > 1e6 || std::abs(setup.y) > 1e6) {
    return {};
  }
  return ProfileFit(image, mask, setup, work).run();
}

}  // namespace coldframe::stars
