/// \file
/// The iteration behind fit_group.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>

#include "stars/fit_pixels.hpp"
#include "stars/group_fit.hpp"
#include "stars/normal_equations.hpp"
#include "stars/profile_kernel.hpp"

namespace coldframe::stars {

inline constexpr std::size_t per_group_member = 3;  // x, y, peak
inline constexpr std::size_t group_order = max_group * per_group_member;
using GroupVector = std::array<double, group_order>;

class GroupFit {
 public:
  GroupFit(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
           const GroupSetup& setup, std::span<GroupMember> members, GroupWorkspace& work)
      : image_(image),
        mask_(mask),
        setup_(setup),
        members_(members),
        work_(work),
        free_(members.size() * per_group_member),
        unit_flux_(unit_peak_flux(setup.shape, setup.gaussian)),
        scale_(setup.sky_sigma > 0.0 ? setup.sky_sigma : 1.0),
        width_(2.0 / std::sqrt(std::sqrt(setup.shape[par_s11] * setup.shape[par_s22]))),
        origin_x_(static_cast<int>(std::lround(members[0].x))),
        origin_y_(static_cast<int>(std::lround(members[0].y))) {}

  void run() {
    gather();
    if (work_.x.size() < free_ + 3) return;
    prepare();
    evaluate(now_);
    reweigh();
    cost_ = residuals(now_);
    build();
    const bool converged = iterate();
    if (converged) finish();
  }

 private:
  [[nodiscard]] double distance2(std::size_t k, int x, int y) const noexcept {
    const double dx = x - members_[k].x;
    const double dy = y - members_[k].y;
    return dx * dx + dy * dy;
  }

  void gather() {
    work_.x.clear();
    work_.y.clear();
    work_.value.clear();
    for (std::size_t k = 0; k < members_.size(); ++k) gather_disc(k);
    const std::size_t n = work_.x.size();
    work_.around.assign(n, 0.0F);
    if (setup_.others == nullptr) return;
    setup_.others->add(origin_x_, origin_y_, work_.x.data(), work_.y.data(), n,
                       work_.around.data());
    const auto per_sigma = static_cast<float>(1.0 / scale_);
    for (std::size_t i = 0; i < n; ++i) {
      work_.around[i] *= per_sigma;
      work_.value[i] -= work_.around[i];
    }
  }

  /// Pixels of member k's disc that are nearest to it.
  void gather_disc(std::size_t k) {
    const double reach2 = setup_.radius_px * setup_.radius_px;
    const int r = static_cast<int>(std::ceil(setup_.radius_px)) + 1;
    const int cx = static_cast<int>(std::lround(members_[k].x));
    const int cy = static_cast<int>(std::lround(members_[k].y));
    const Rect window =
        Rect{cx - r, cy - r, cx + r + 1, cy + r + 1}.intersect(whole(image_.size()));
    for (int y = window.y0; y < window.y1; ++y) {
      for (int x = window.x0; x < window.x1; ++x) {
        const double own = distance2(k, x, y);
        if (own > reach2 || !usable_pixel(image_, mask_, setup_.cfa, x, y)) continue;
        bool nearest = true;
        for (std::size_t j = 0; j < members_.size() && nearest; ++j) {
          const double other = j == k ? own + 1.0 : distance2(j, x, y);
          nearest = other > own || (other == own && j > k);
        }
        if (!nearest) continue;
        work_.x.push_back(static_cast<float>(x - origin_x_));
        work_.y.push_back(static_cast<float>(y - origin_y_));
        work_.value.push_back(
            static_cast<float>((static_cast<double>(image_(x, y)) - members_[k].sky) / scale_));
      }
    }
  }

  void prepare() {
    const std::size_t n = work_.x.size();
    for (auto* v : {&work_.weight, &work_.residual, &work_.scratch}) v->resize(n);
    work_.unused.resize(4 * n);
    for (auto* list : {&work_.light, &work_.slope_x, &work_.slope_y}) {
      if (list->size() < members_.size()) list->resize(members_.size());
      for (std::size_t k = 0; k < members_.size(); ++k) (*list)[k].resize(n);
    }
    work_.normal.resize(group_order * group_order);
    work_.factor.resize(group_order * group_order);
    for (std::size_t k = 0; k < members_.size(); ++k) {
      now_[3 * k] = members_[k].x - origin_x_;
      now_[3 * k + 1] = members_[k].y - origin_y_;
      now_[3 * k + 2] = std::max(least_peak, members_[k].flux / (unit_flux_ * scale_));
    }
    nodes_ = nodes_of(core_nodes_for(width_));
  }

  void evaluate(const GroupVector& p) noexcept {
    const std::size_t n = work_.x.size();
    ProfileShape shape = shape_of(setup_.shape, setup_.gaussian);
    float* spare = work_.unused.data();
    for (std::size_t k = 0; k < members_.size(); ++k) {
      shape.x = static_cast<float>(p[3 * k]);
      shape.y = static_cast<float>(p[3 * k + 1]);
      const ProfileArrays arrays{work_.x.data(),
                                 work_.y.data(),
                                 work_.light[k].data(),
                                 work_.slope_x[k].data(),
                                 work_.slope_y[k].data(),
                                 spare,
                                 spare + n,
                                 spare + 2 * n,
                                 spare + 3 * n};
      integrate_profile(shape, nodes_, arrays, n);
    }
  }

  void reweigh() noexcept {
    const auto photon = static_cast<float>(
        setup_.gain_e_per_unit > 0.0 ? 1.0 / (setup_.gain_e_per_unit * scale_) : 0.0);
    const std::size_t n = work_.x.size();
    std::copy(work_.around.begin(), work_.around.end(), work_.scratch.begin());
    for (std::size_t k = 0; k < members_.size(); ++k) {
      const auto peak = static_cast<float>(now_[3 * k + 2]);
      const float* light = work_.light[k].data();
      for (std::size_t i = 0; i < n; ++i) work_.scratch[i] += peak * light[i];
    }
    for (std::size_t i = 0; i < n; ++i) {
      work_.weight[i] = 1.0F / (1.0F + std::max(0.0F, work_.scratch[i]) * photon);
    }
  }

  double residuals(const GroupVector& p) noexcept {
    const std::size_t n = work_.x.size();
    std::copy(work_.value.begin(), work_.value.end(), work_.residual.begin());
    for (std::size_t k = 0; k < members_.size(); ++k) {
      const auto peak = static_cast<float>(p[3 * k + 2]);
      const float* light = work_.light[k].data();
      for (std::size_t i = 0; i < n; ++i) work_.residual[i] -= peak * light[i];
    }
    for (std::size_t i = 0; i < n; ++i) work_.scratch[i] = work_.weight[i] * work_.residual[i];
    return dot(work_.scratch.data(), work_.residual.data(), n);
  }

  /// Turns the profile's derivative factors into columns by x and y.
  void fill_slopes() noexcept {
    const auto s11 = static_cast<float>(setup_.shape[par_s11]);
    const auto s12 = static_cast<float>(setup_.shape[par_s12]);
    const auto s22 = static_cast<float>(setup_.shape[par_s22]);
    for (std::size_t k = 0; k < members_.size(); ++k) {
      const float twice = -2.0F * static_cast<float>(now_[3 * k + 2]);
      float* hx = work_.slope_x[k].data();
      float* hy = work_.slope_y[k].data();
      for (std::size_t i = 0; i < work_.x.size(); ++i) {
        const float by_x = twice * (s11 * hx[i] + s12 * hy[i]);
        hy[i] = twice * (s12 * hx[i] + s22 * hy[i]);
        hx[i] = by_x;
      }
    }
  }

  [[nodiscard]] const float* column(std::size_t a) const noexcept {
    const std::size_t k = a / per_group_member;
    return a % per_group_member == 0   ? work_.slope_x[k].data()
           : a % per_group_member == 1 ? work_.slope_y[k].data()
                                       : work_.light[k].data();
  }

  void build() noexcept {
    fill_slopes();
    const std::size_t n = work_.x.size();
    for (std::size_t a = 0; a < free_; ++a) {
      const float* left = column(a);
      for (std::size_t i = 0; i < n; ++i) work_.scratch[i] = work_.weight[i] * left[i];
      gradient_[a] = dot(work_.scratch.data(), work_.residual.data(), n);
      for (std::size_t b = 0; b <= a; ++b) {
        const double sum = dot(work_.scratch.data(), column(b), n);
        work_.normal[a * group_order + b] = sum;
        work_.normal[b * group_order + a] = sum;
      }
    }
  }

  /// A star must stay near where it was seen and must not take light away.
  void take_step(const GroupVector& step, GroupVector& trial) const noexcept {
    const double stride = 0.4 * width_;
    const double leash = std::max(1.0, 0.7 * width_);
    trial = now_;
    for (std::size_t k = 0; k < members_.size(); ++k) {
      const double length = std::hypot(step[3 * k], step[3 * k + 1]);
      const double share = length > stride ? stride / length : 1.0;
      trial[3 * k] += share * step[3 * k];
      trial[3 * k + 1] += share * step[3 * k + 1];
      const double dx = trial[3 * k] - (members_[k].x - origin_x_);
      const double dy = trial[3 * k + 1] - (members_[k].y - origin_y_);
      const double away = std::hypot(dx, dy);
      if (away > leash) {
        trial[3 * k] -= dx * (1.0 - leash / away);
        trial[3 * k + 1] -= dy * (1.0 - leash / away);
      }
      trial[3 * k + 2] = std::max(least_peak, trial[3 * k + 2] + step[3 * k + 2]);
    }
  }

  bool iterate() noexcept {
    constexpr int limit = 25;
    double damping = 1e-3;
    for (int round = 0; round < limit; ++round) {
      GroupVector step = gradient_;
      GroupVector trial{};
      bool better = cholesky(work_.normal.data(), free_, group_order, damping, work_.factor.data());
      if (better) {
        cholesky_solve(work_.factor.data(), free_, group_order, step.data());
        take_step(step, trial);
        evaluate(trial);
        better = residuals(trial) <= cost_ * (1.0 + 1e-6);
      }
      if (!better) {
        damping = std::max(damping, 1e-3) * 8.0;
        evaluate(now_);
        cost_ = residuals(now_);
        fill_slopes();
        if (damping > 1e6) return round > 0;
        continue;
      }
      for (std::size_t a = 0; a < free_; ++a) step[a] = trial[a] - now_[a];
      const double moved = quadratic_form(work_.normal.data(), free_, group_order, step.data());
      now_ = trial;
      reweigh();
      cost_ = residuals(now_);
      build();
      damping *= 0.1;
      if (moved < 1e-3 * static_cast<double>(members_.size())) return true;
    }
    return true;  // slow groups are taken as they are; the next round goes on from there
  }

  void finish() noexcept;
  [[nodiscard]] double error_of(std::size_t a) const noexcept;
  /// Fit and spread of one member on its own pixels, the others taken away.
  void judge(std::size_t k, FitResult& fit) noexcept;

  static constexpr double least_peak = 1e-3;  ///< sky sigmas
  PlaneView<const float> image_;
  PlaneView<const std::uint8_t> mask_;
  const GroupSetup& setup_;
  std::span<GroupMember> members_;
  GroupWorkspace& work_;
  std::size_t free_;
  double unit_flux_;
  double scale_;
  double width_;
  int origin_x_;
  int origin_y_;
  double cost_ = 0.0;
  PixelNodes nodes_;
  GroupVector now_{};
  GroupVector gradient_{};
};

}  // namespace coldframe::stars
