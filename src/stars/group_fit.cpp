#include "stars/group_fit.hpp"

#include <algorithm>
#include <cmath>

#include "stars/group_engine.hpp"
#include "stars/spread.hpp"

namespace coldframe::stars {

void GroupFit::finish() noexcept {
  if (!cholesky(work_.normal.data(), free_, group_order, 1e-12, work_.factor.data())) return;
  for (std::size_t k = 0; k < members_.size(); ++k) {
    FitResult& fit = members_[k].fit;
    fit.converged = true;
    fit.x = origin_x_ + now_[3 * k];
    fit.y = origin_y_ + now_[3 * k + 1];
    fit.sky = members_[k].sky;
    fit.flux = scale_ * now_[3 * k + 2] * unit_flux_;
    fit.s11 = setup_.shape[par_s11];
    fit.s12 = setup_.shape[par_s12];
    fit.s22 = setup_.shape[par_s22];
    fit.beta = setup_.gaussian ? 0.0 : 1.0 / setup_.shape[par_b];
    fit.ellipse = ellipse_of(fit.s11, fit.s12, fit.s22);
    fit.x_error = error_of(3 * k);
    fit.y_error = error_of(3 * k + 1);
    fit.flux_error = scale_ * unit_flux_ * error_of(3 * k + 2);
    judge(k, fit);
  }
}

double GroupFit::error_of(std::size_t a) const noexcept {
  GroupVector v{};
  v[a] = 1.0;
  cholesky_solve(work_.factor.data(), free_, group_order, v.data());
  return std::sqrt(std::max(0.0, v[a]));
}

void GroupFit::judge(std::size_t k, FitResult& fit) noexcept {
  const double reach2 = setup_.radius_px * setup_.radius_px;
  const auto peak = static_cast<float>(now_[3 * k + 2]);
  double chi2 = 0.0;
  float highest = 0.0F;
  std::size_t count = 0;
  float* spare = work_.unused.data();
  const std::size_t n = work_.x.size();
  for (std::size_t i = 0; i < n; ++i) {
    const double dx = static_cast<double>(work_.x[i]) - now_[3 * k];
    const double dy = static_cast<double>(work_.y[i]) - now_[3 * k + 1];
    if (dx * dx + dy * dy > reach2) continue;
    const float own = work_.residual[i] + peak * work_.light[k][i];
    chi2 += static_cast<double>(work_.weight[i] * work_.residual[i] * work_.residual[i]);
    highest = std::max(highest, own);
    spare[count] = work_.x[i];
    spare[n + count] = work_.y[i];
    spare[2 * n + count] = own;
    spare[3 * n + count] = work_.light[k][i];
    work_.scratch[count++] = work_.weight[i];
  }
  fit.pixels = count;
  fit.peak_pixel = scale_ * static_cast<double>(highest);
  fit.chi2_per_dof =
      count > per_group_member ? chi2 / static_cast<double>(count - per_group_member) : 0.0;
  const SpreadPixels pixels{spare, spare + n, spare + 2 * n, spare + 3 * n, work_.scratch.data(),
                            count};
  const Spread spread =
      compare_spread(pixels, now_[3 * k], now_[3 * k + 1], now_[3 * k + 2], width_);
  fit.spread_ratio = spread.ratio;
  fit.spread_error = spread.error;
  fit.spread_along = spread.along;
}

void fit_group(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
               const GroupSetup& setup, std::span<GroupMember> members, GroupWorkspace& work) {
  if (members.empty() || members.size() > max_group) return;
  GroupFit(image, mask, setup, members, work).run();
}

}  // namespace coldframe::stars
