#include "describe.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/chebyshev.hpp"
#include "coldframe/core/statistics.hpp"
#include "sky_facts.hpp"

namespace coldframe::session {
namespace {

// A plane through the sky's mesh: rise across the frame as a share of the level, turned to the
// reference's axes so that it can be followed through flips.
std::optional<Point> gradient_of(const SubState& sub) {
  if (sub.measured.sky.empty() || sub.match.status != align::MatchStatus::matched)
    return std::nullopt;
  const auto& sky = sub.measured.sky[sub.measured.sky.size() / 2];
  const auto& mesh = sky.mesh;
  std::vector<SurfacePoint> points;
  std::vector<double> levels;
  for (int j = 0; j < mesh.level.height(); ++j) {
    for (int i = 0; i < mesh.level.width(); ++i) {
      const double level = static_cast<double>(mesh.level(i, j));
      if (!std::isfinite(level)) continue;
      points.push_back({((i + 0.5) * mesh.cell_px - 0.5) * sky.step + sky.offset_x,
                        ((j + 0.5) * mesh.cell_px - 0.5) * sky.step + sky.offset_y, level, 1.0});
      levels.push_back(level);
    }
  }
  constexpr std::size_t enough = 12;
  if (points.size() < enough) return std::nullopt;
  const double level = median(levels);
  const auto fit = fit_chebyshev(points, sub.measured.frame, 1);
  if (fit.status != FitStatus::converged || !(level > 0.0)) return std::nullopt;
  const Point own{2.0 * fit.surface.coefficients[1] / level / sub.measured.frame.width,
                  2.0 * fit.surface.coefficients[2] / level / sub.measured.frame.height};
  const Point centre{sub.measured.frame.width / 2.0, sub.measured.frame.height / 2.0};
  const auto turn = sub.match.transform.jacobian(centre);
  const double size = std::hypot(turn[0], turn[2]);
  if (!(size > 0.0)) return std::nullopt;
  return Point{(turn[0] * own.x + turn[1] * own.y) / size * sub.measured.frame.width,
               (turn[2] * own.x + turn[3] * own.y) / size * sub.measured.frame.height};
}

// Stars above the flux that three quarters of the subs reach: comparable from sub to sub.
void count_at_equal_depth(GroupState& group) {
  const auto flux_scale = [](const SubState& sub) {
    return sub.usable && sub.transparency > 0.0 ? sub.scale.scale : 0.0;
  };
  std::vector<double> reached;
  for (const auto& sub : group.subs) {
    std::vector<double> fluxes;
    for (const auto& star : sub.measured.stars) fluxes.push_back(star.flux * flux_scale(sub));
    constexpr std::size_t enough = 10;
    if (flux_scale(sub) > 0.0 && fluxes.size() >= enough)
      reached.push_back(quantile_in_place(fluxes, 0.05));
  }
  if (reached.empty()) return;
  const double limit = quantile_in_place(reached, 0.75);
  for (auto& sub : group.subs) {
    if (!(flux_scale(sub) > 0.0)) continue;
    sub.details.stars_equal_depth = static_cast<int>(
        std::count_if(sub.measured.stars.begin(), sub.measured.stars.end(),
                      [&](const Star& star) { return star.flux * flux_scale(sub) >= limit; }));
  }
}

void share_signal(GroupState& group) {
  double total = 0.0;
  for (auto& sub : group.subs) {
    const auto& q = sub.measured.quality;
    sub.details.snr_share = 0.0;
    if (!sub.kept || !(q.noise_per_px > 0.0) || !(q.fwhm_px > 0.0)) continue;
    const double noise = sub.scale.scale * q.noise_per_px * q.fwhm_px;
    sub.details.snr_share = 1.0 / (noise * noise);
    total += sub.details.snr_share;
  }
  for (auto& sub : group.subs) {
    if (total > 0.0) sub.details.snr_share /= total;
  }
}

}  // namespace

void describe_group(GroupState& group, Threads threads) {
  parallel_for(threads, group.subs.size(), [&](std::size_t i) {
    auto& sub = group.subs[i];
    sub.details.sky = circumstances_of(*sub.info);
    if (!sub.usable) return;
    sub.details.field = stars::measure_field_shape(sub.measured.stars, sub.measured.frame);
    sub.details.gradient = gradient_of(sub);
  });
  count_at_equal_depth(group);
  share_signal(group);
}

}  // namespace coldframe::session
