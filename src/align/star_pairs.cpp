#include "align/star_pairs.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <numeric>

#include "coldframe/core/log_gamma.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::align {
namespace {

// Error of one star, or NaN when the list does not say.
double stated_error(const Star& star) noexcept {
  const double error = std::sqrt(0.5 * (star.x_error * star.x_error + star.y_error * star.y_error));
  return error > 0.0 && std::isfinite(error) ? error : std::numeric_limits<double>::quiet_NaN();
}

bool in_area(const Area& area, Point p) noexcept {
  if (!(area.radius > 0.0)) return true;
  const double dx = p.x - area.centre.x, dy = p.y - area.centre.y;
  return dx * dx + dy * dy <= area.radius * area.radius;
}

// Stars per square pixel around p from the circle that reaches its 12th neighbour, the
// partner itself (whatever lies within the tolerance) left out. A circle of fixed size
// would smear a cluster's core over its surroundings.
double local_density(const PointTree& tree, Point p, double tolerance_px,
                     std::vector<PointTree::Neighbour>& near) {
  constexpr std::size_t most = 12;
  tree.nearest_many(p, most, near);
  if (near.size() < 3) return 0.0;
  const double reach = near.back().squared_distance;
  const double own = tolerance_px * tolerance_px;
  std::size_t others = 0;
  for (const auto& n : near) others += n.squared_distance >= own ? 1U : 0U;
  // The last one defines the circle and does not count. A circle hardly wider than the
  // tolerance: everything in it counts as density.
  if (reach < 4.0 * own || others < 2) {
    return static_cast<double>(near.size()) / (std::numbers::pi * std::max(reach, own));
  }
  return static_cast<double>(others - 1) / (std::numbers::pi * (reach - own));
}

bool in_box(const Lists& lists, Point p, double margin) noexcept {
  return p.x >= lists.low.x - margin && p.x <= lists.high.x + margin &&
         p.y >= lists.low.y - margin && p.y <= lists.high.y + margin;
}

}  // namespace

StarPoints usable_stars(std::span<const Star> stars) {
  StarPoints result;
  for (std::size_t i = 0; i < stars.size(); ++i) {
    const Star& s = stars[i];
    if (!std::isfinite(s.x) || !std::isfinite(s.y)) continue;
    if (s.kind == StarClass::hot_pixel || s.kind == StarClass::edge) continue;
    result.original.push_back(i);
  }
  std::ranges::stable_sort(
      result.original, [&](std::size_t a, std::size_t b) { return stars[a].flux > stars[b].flux; });
  std::vector<double> known;
  for (const std::size_t i : result.original) {
    result.points.push_back({stars[i].x, stars[i].y});
    result.error_px.push_back(stated_error(stars[i]));
    if (std::isfinite(result.error_px.back())) known.push_back(result.error_px.back());
  }
  constexpr double when_unknown_px = 0.1;
  const double typical = known.empty() ? when_unknown_px : median_in_place(known);
  for (double& error : result.error_px) {
    if (!std::isfinite(error)) error = typical;
  }
  return result;
}

Lists::Lists(std::span<const Star> sub_stars, std::span<const Star> reference_stars)
    : sub(usable_stars(sub_stars)),
      reference(usable_stars(reference_stars)),
      tree(reference.points),
      low{HUGE_VAL, HUGE_VAL},
      high{-HUGE_VAL, -HUGE_VAL} {
  for (const Point p : reference.points) {
    low = {std::min(low.x, p.x), std::min(low.y, p.y)};
    high = {std::max(high.x, p.x), std::max(high.y, p.y)};
  }
}

namespace {

// Calls look(index, mapped position) for the `brightest` stars (0: all) that lie in the area and
// among the reference's.
template <typename Look>
void for_candidates(const Lists& lists, const Transform& transform, double margin, const Area& area,
                    std::size_t brightest, Look&& look) {
  std::size_t taken = 0;
  for (std::uint32_t i = 0; i < lists.sub.points.size(); ++i) {
    if (!in_area(area, lists.sub.points[i])) continue;
    const Point p = transform.apply(lists.sub.points[i]);
    if (!in_box(lists, p, margin)) continue;
    look(i, p);
    if (++taken == brightest) return;
  }
}

}  // namespace

std::vector<IndexPair> pair_up(const Lists& lists, const Transform& transform, double tolerance_px,
                               const Area& area, std::size_t brightest) {
  std::vector<IndexPair> pairs;
  for_candidates(lists, transform, tolerance_px, area, brightest, [&](std::uint32_t i, Point p) {
    const auto near = lists.tree.nearest(p, tolerance_px);
    if (near) pairs.push_back({i, near->index, std::sqrt(near->squared_distance)});
  });
  std::ranges::sort(pairs, [](const IndexPair& a, const IndexPair& b) {
    if (a.reference != b.reference) return a.reference < b.reference;
    return a.distance_px != b.distance_px ? a.distance_px < b.distance_px : a.sub < b.sub;
  });
  const auto same = [](const IndexPair& a, const IndexPair& b) {
    return a.reference == b.reference;
  };
  pairs.erase(std::unique(pairs.begin(), pairs.end(), same), pairs.end());
  std::ranges::sort(pairs, {}, &IndexPair::sub);
  return pairs;
}

ChanceInput chance_of_pairs(const Lists& lists, const Transform& transform, double tolerance_px,
                            const Area& area, std::size_t brightest) {
  ChanceInput chance;
  const double box =
      std::max(1.0, lists.high.x - lists.low.x) * std::max(1.0, lists.high.y - lists.low.y);
  const double mean_density = static_cast<double>(lists.reference.points.size()) / box;
  // A few hundred places suffice for a mean density.
  const std::size_t step = std::max<std::size_t>(1, lists.sub.points.size() / 300);
  const std::size_t every = brightest > 0 ? 1 : step;
  double density_sum = 0.0;
  std::size_t sampled = 0;
  std::vector<PointTree::Neighbour> near;
  for_candidates(lists, transform, tolerance_px, area, brightest, [&](std::uint32_t i, Point p) {
    ++chance.candidates;
    if (i % every != 0) return;
    const double local = local_density(lists.tree, p, tolerance_px, near);
    density_sum += std::max(local, mean_density);
    ++sampled;
  });
  const double density = sampled > 0 ? density_sum / static_cast<double>(sampled) : mean_density;
  // Poisson: at least one reference star within reach.
  chance.pair_probability = -std::expm1(-density * std::numbers::pi * tolerance_px * tolerance_px);
  return chance;
}

double binomial_tail(std::size_t n, std::size_t successes, double p) noexcept {
  if (successes == 0) return 1.0;
  if (successes > n || !(p > 0.0)) return 0.0;
  if (p >= 1.0) return 1.0;
  const auto trials = static_cast<double>(n);
  double sum = 0.0;
  for (std::size_t k = successes; k <= n; ++k) {
    const auto x = static_cast<double>(k);
    const double log_term = log_gamma(trials + 1.0) - log_gamma(x + 1.0) -
                            log_gamma(trials - x + 1.0) + x * std::log(p) +
                            (trials - x) * std::log1p(-p);
    const double term = std::exp(log_term);
    sum += term;
    // Beyond the mean the terms fall at least geometrically.
    if (x > trials * p && term < 1e-12 * sum) break;
    if (x > trials * p && term == 0.0) break;
  }
  return std::min(1.0, sum);
}

}  // namespace coldframe::align
