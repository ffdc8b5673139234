/// \file
/// The iteration behind fit_star.
#pragma once

#include <algorithm>
#include <cmath>

#include "stars/fit_pixels.hpp"
#include "stars/normal_equations.hpp"
#include "stars/profile_kernel.hpp"
#include "stars/profile_lm.hpp"

namespace coldframe::stars {

using FitMatrix = std::array<std::array<double, parameter_count>, parameter_count>;

struct FreeList {
  std::array<std::size_t, parameter_count> index{};
  std::size_t count = 0;
  void add(std::size_t parameter) noexcept { index[count++] = parameter; }
};

/// Bounds of 1/beta: at the lower one a Moffat is a Gaussian, at the upper it has hardly a finite
/// flux.
inline constexpr double least_b = least_inverse_beta;
inline constexpr double greatest_b = 0.85;

/// Weighted normal equations at one parameter vector.
struct Normal {
  FitMatrix h{};
  ParameterVector gradient{};
};

inline FreeList free_parameters(const FitSetup& setup) noexcept {
  FreeList list;
  list.add(par_x);
  list.add(par_y);
  list.add(par_peak);
  if (setup.free_sky) list.add(par_sky);
  if (setup.free_shape) {
    list.add(par_s11);
    list.add(par_s12);
    list.add(par_s22);
    if (setup.free_beta && !setup.gaussian) list.add(par_b);
  }
  return list;
}

class ProfileFit {
 public:
  ProfileFit(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
             const FitSetup& setup, FitWorkspace& work) noexcept
      : image_(image),
        mask_(mask),
        setup_(setup),
        work_(work),
        free_(free_parameters(setup)),
        scale_(setup.sky_sigma > 0.0 ? setup.sky_sigma : 1.0),
        origin_x_(static_cast<int>(std::lround(setup.x))),
        origin_y_(static_cast<int>(std::lround(setup.y))) {}

  FitResult run() noexcept {
    FitResult result;
    start_shape();
    choose_rules();
    gather();
    result.pixels = work_.pixels.count;
    if (work_.pixels.count < free_.count + 3) return result;
    start_peak();
    evaluate_profile(work_.pixels, now_, setup_.gaussian, work_.terms);
    reweigh();
    cost_ = residuals(now_);
    build();
    iterate(result);
    finish(result);
    return result;
  }

 private:
  void start_shape() noexcept {
    const double half = 0.5 * std::clamp(setup_.fwhm, 0.7, 2.0 * max_fit_radius);
    const bool given = setup_.s11 > 0.0 && setup_.s22 > 0.0;
    now_[par_s11] = given ? setup_.s11 : 1.0 / (half * half);
    now_[par_s12] = given ? setup_.s12 : 0.0;
    now_[par_s22] = given ? setup_.s22 : 1.0 / (half * half);
    now_[par_b] = std::clamp(1.0 / setup_.beta, least_b, greatest_b);
    now_[par_x] = setup_.x - origin_x_;
    now_[par_y] = setup_.y - origin_y_;
    width_ = 2.0 / std::sqrt(std::sqrt(now_[par_s11] * now_[par_s22]));
    radius_ = std::clamp(setup_.radius_px, 2, max_fit_radius);
  }

  /// Enough nodes that the quadrature error stays far below the photon noise of any star.
  void choose_rules() noexcept {
    work_.pixels.core_nodes = core_nodes_for(width_);
    work_.pixels.outer_nodes = outer_nodes_for(width_);
  }

  void gather() noexcept {
    const FitRegion region{image_, mask_, setup_, origin_x_, origin_y_, radius_, width_, scale_};
    gather_pixels(region, work_);
    others_ = setup_.others != nullptr;
    if (!others_) return;
    PixelSet& set = work_.pixels;
    std::fill_n(work_.around.begin(), set.count, 0.0F);
    setup_.others->add(origin_x_, origin_y_, set.x.data(), set.y.data(), set.count,
                       work_.around.data());
    const auto per_sigma = static_cast<float>(1.0 / scale_);
    for (std::size_t i = 0; i < set.count; ++i) {
      work_.around[i] *= per_sigma;
      set.value[i] -= work_.around[i];
    }
  }

  void start_peak() noexcept {
    const double unit = unit_peak_flux(now_, setup_.gaussian);
    now_[par_peak] = setup_.flux > 0.0 ? setup_.flux / (unit * scale_) : 1.0;
    now_[par_sky] = 0.0;
    if (setup_.flux > 0.0) return;
    float highest = 0.0F;
    for (std::size_t i = 0; i < work_.pixels.count; ++i) {
      highest = std::max(highest, work_.pixels.value[i]);
    }
    now_[par_peak] = std::max(1.0, static_cast<double>(highest));
  }

  /// Variance from the model, never from the datum itself (which would bias fluxes low).
  void reweigh() noexcept {
    const auto peak = static_cast<float>(now_[par_peak]);
    const auto photon = static_cast<float>(
        setup_.gain_e_per_unit > 0.0 ? 1.0 / (setup_.gain_e_per_unit * scale_) : 0.0);
    PixelSet& set = work_.pixels;
    for (std::size_t i = 0; i < set.count; ++i) {
      const float light = peak * work_.terms.g[i] + (others_ ? work_.around[i] : 0.0F);
      set.weight[i] = 1.0F / (1.0F + (light > 0.0F ? light * photon : 0.0F));
    }
  }

  /// Fills the residuals from the evaluated terms; returns chi-square at the standing weights.
  double residuals(const ParameterVector& p) noexcept {
    const PixelSet& set = work_.pixels;
    const auto peak = static_cast<float>(p[par_peak]);
    const auto sky = static_cast<float>(p[par_sky]);
    for (std::size_t i = 0; i < set.count; ++i) {
      work_.residual[i] = set.value[i] - (peak * work_.terms.g[i] + sky);
      work_.weighted[i] = set.weight[i] * work_.residual[i];
    }
    return dot(work_.residual.data(), work_.weighted.data(), set.count);
  }

  void fill_jacobian() noexcept {
    auto& j = work_.jacobian;
    const ModelTerms& t = work_.terms;
    const auto peak = static_cast<float>(now_[par_peak]);
    const auto s11 = static_cast<float>(now_[par_s11]);
    const auto s12 = static_cast<float>(now_[par_s12]);
    const auto s22 = static_cast<float>(now_[par_s22]);
    for (std::size_t i = 0; i < work_.pixels.count; ++i) {
      j[par_x][i] = -2.0F * peak * (s11 * t.hx[i] + s12 * t.hy[i]);
      j[par_y][i] = -2.0F * peak * (s12 * t.hx[i] + s22 * t.hy[i]);
      j[par_peak][i] = t.g[i];
      j[par_sky][i] = 1.0F;
      j[par_s11][i] = peak * t.hxx[i];
      j[par_s12][i] = 2.0F * peak * t.hxy[i];
      j[par_s22][i] = peak * t.hyy[i];
      j[par_b][i] = peak * t.gb[i];
    }
  }

  /// Normal equations at the current parameters and weights.
  void build() noexcept {
    fill_jacobian();
    const std::size_t n = work_.pixels.count;
    for (std::size_t i = 0; i < n; ++i) {
      work_.weighted[i] = work_.pixels.weight[i] * work_.residual[i];
    }
    for (std::size_t a = 0; a < free_.count; ++a) {
      normal_.gradient[a] = dot(work_.jacobian[free_.index[a]].data(), work_.weighted.data(), n);
    }
    for (std::size_t a = 0; a < free_.count; ++a) {
      const float* column = work_.jacobian[free_.index[a]].data();
      for (std::size_t i = 0; i < n; ++i) work_.weighted[i] = work_.pixels.weight[i] * column[i];
      for (std::size_t b = 0; b <= a; ++b) {
        const double sum = dot(work_.jacobian[free_.index[b]].data(), work_.weighted.data(), n);
        normal_.h[a][b] = sum;
        normal_.h[b][a] = sum;
      }
    }
  }

  /// Cholesky factor of (h + damping diag h); false when not positive definite.
  [[nodiscard]] bool factor(double damping, FitMatrix& l) const noexcept {
    return cholesky(normal_.h.data()->data(), free_.count, parameter_count, damping,
                    l.data()->data());
  }
  void solve(const FitMatrix& l, ParameterVector& v) const noexcept {
    cholesky_solve(l.data()->data(), free_.count, parameter_count, v.data());
  }

  [[nodiscard]] bool sane(const ParameterVector& p) const noexcept {
    for (const double value : p) {
      if (!std::isfinite(value)) return false;
    }
    const double det = p[par_s11] * p[par_s22] - p[par_s12] * p[par_s12];
    if (!(p[par_s11] > 0.0) || !(p[par_s22] > 0.0) || !(det > 0.0)) return false;
    const Ellipse ellipse = ellipse_of(p[par_s11], p[par_s12], p[par_s22]);
    const double reach = std::max(2.0, width_);
    return p[par_peak] > 0.0 && std::hypot(p[par_x], p[par_y]) <= reach && ellipse.minor > 0.15 &&
           ellipse.major < 6.0 * max_fit_radius;
  }

  /// Trial parameters; a step that would leave the possible is shortened first.
  [[nodiscard]] bool propose(const ParameterVector& step, ParameterVector& trial) const noexcept {
    double share = 1.0;
    for (int halving = 0; halving < 5; ++halving, share *= 0.5) {
      trial = now_;
      for (std::size_t a = 0; a < free_.count; ++a) trial[free_.index[a]] += share * step[a];
      // Nearly Gaussian light drives the exponent to its bound: it stays there.
      trial[par_b] = std::clamp(trial[par_b], least_b, greatest_b);
      if (sane(trial)) return true;
    }
    return false;
  }

  [[nodiscard]] static bool at_bound(const ParameterVector& p) noexcept {
    return p[par_b] <= least_b || p[par_b] >= greatest_b;
  }
  /// The exponent is always last in the list.
  void drop_beta() noexcept {
    if (free_.count > 0 && free_.index[free_.count - 1] == par_b) --free_.count;
  }

  void iterate(FitResult& result) noexcept {
    constexpr int limit = 40;
    double damping = 1e-3;
    bool stale = false;  // the terms are those of a step that was not taken
    for (result.iterations = 1; result.iterations <= limit; ++result.iterations) {
      FitMatrix l{};
      ParameterVector step = normal_.gradient;
      ParameterVector trial{};
      bool better = factor(damping, l);
      bool settled = false;
      if (better) {
        solve(l, step);
        settled = quadratic_form(normal_.h.data()->data(), free_.count, parameter_count,
                                 step.data()) < 1e-4;
        better = propose(step, trial);
      }
      if (better && settled && !stale && damping < 1.0) {
        // The step is worth less than a hundredth of a standard error: it needs no trial.
        now_ = trial;
        result.converged = true;
        return;
      }
      if (better) {
        evaluate_profile(work_.pixels, trial, setup_.gaussian, work_.terms);
        better = residuals(trial) <= cost_ * (1.0 + 1e-6);
      }
      stale = !better;
      if (!better) {
        // Nothing but rounding left to gain.
        result.converged = settled && damping < 1.0;
        if (result.converged) evaluate_profile(work_.pixels, now_, setup_.gaussian, work_.terms);
        damping = std::max(damping, 1e-3) * 8.0;
        if (result.converged || damping > 1e8) return;
        continue;
      }
      if (at_bound(trial) && result.iterations >= 4) drop_beta();
      const double moved =
          quadratic_form(normal_.h.data()->data(), free_.count, parameter_count, step.data());
      now_ = trial;
      reweigh();
      cost_ = residuals(now_);
      build();
      damping *= 0.1;
      // A hundredth of a standard error: nothing is left to gain.
      result.converged = moved < 1e-4 && damping < 1.0;
      if (result.converged) return;
    }
  }

  void finish(FitResult& result) noexcept;
  void judge_spread(FitResult& result) noexcept;
  /// Standard errors from the inverse normal matrix.
  [[nodiscard]] bool errors(FitResult& result) noexcept;
  /// d ln(flux)/db at fixed peak: flux ~ 1 / ((1/b - 1)(2^b - 1)).
  [[nodiscard]] double log_flux_by_b() const noexcept;

  PlaneView<const float> image_;
  PlaneView<const std::uint8_t> mask_;
  const FitSetup& setup_;
  FitWorkspace& work_;
  FreeList free_;
  double scale_;
  int origin_x_;
  int origin_y_;
  int radius_ = 8;
  double width_ = 3.0;
  double cost_ = 0.0;
  bool others_ = false;
  ParameterVector now_{};
  Normal normal_;
};

}  // namespace coldframe::stars
