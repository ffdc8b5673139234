#include "align/consensus.hpp"

#include <algorithm>
#include <cmath>

#include "align/fit.hpp"
#include "align/model_choice.hpp"
#include "coldframe/core/random.hpp"

namespace coldframe::align {
namespace {

constexpr std::uint32_t msac_stream = 0x6d736163;  // 'msac'

double truncated_loss(const Lists& lists, const std::vector<IndexPair>& pairs, const Transform& t,
                      double tolerance_px) noexcept {
  const double most = tolerance_px * tolerance_px;
  double loss = 0.0;
  for (const IndexPair& pair : pairs) {
    const Point p = t.apply(lists.sub.points[pair.sub]);
    const Point q = lists.reference.points[pair.reference];
    const double dx = p.x - q.x, dy = p.y - q.y;
    loss += std::min(most, dx * dx + dy * dy);
  }
  return loss;
}

double extent_of(const StarPoints& stars) noexcept {
  double low_x = HUGE_VAL, low_y = HUGE_VAL, high_x = -HUGE_VAL, high_y = -HUGE_VAL;
  for (const Point p : stars.points) {
    low_x = std::min(low_x, p.x);
    low_y = std::min(low_y, p.y);
    high_x = std::max(high_x, p.x);
    high_y = std::max(high_y, p.y);
  }
  return std::hypot(high_x - low_x, high_y - low_y);
}

}  // namespace

std::size_t ransac_trials(double confidence, double outliers, int sample) noexcept {
  const double all_good = std::pow(1.0 - outliers, sample);
  if (all_good >= 1.0) return 1;
  if (!(all_good > 0.0)) return 100000;
  const double trials = std::log1p(-confidence) / std::log1p(-all_good);
  return static_cast<std::size_t>(std::clamp(std::ceil(trials - 1e-9), 1.0, 100000.0));
}

std::optional<Transform> msac_similarity(const Lists& lists, const std::vector<IndexPair>& pairs,
                                         bool mirrored, double tolerance_px, std::uint64_t seed) {
  if (pairs.size() < 3) return std::nullopt;
  RandomStream random(seed, msac_stream, pairs.size());
  const std::size_t trials = ransac_trials(0.999, 0.7, 2);
  const auto pick = [&] {
    const auto n = static_cast<double>(pairs.size());
    return std::min(pairs.size() - 1, static_cast<std::size_t>(random.uniform() * n));
  };
  std::optional<Transform> best;
  double best_loss = HUGE_VAL;
  for (std::size_t trial = 0; trial < trials; ++trial) {
    const std::size_t i = pick(), j = pick();
    if (i == j) continue;
    const Point from[2] = {lists.sub.points[pairs[i].sub], lists.sub.points[pairs[j].sub]};
    const Point to[2] = {lists.reference.points[pairs[i].reference],
                         lists.reference.points[pairs[j].reference]};
    const auto fit = fit_one_hand(from, to, {}, mirrored);
    if (!fit.usable) continue;
    const double loss = truncated_loss(lists, pairs, fit.transform, tolerance_px);
    if (loss < best_loss) {
      best_loss = loss;
      best = fit.transform;
    }
  }
  if (!best) return std::nullopt;
  std::vector<Point> from, to;
  for (const IndexPair& pair : pairs) {
    if (truncated_loss(lists, {pair}, *best, tolerance_px) >= tolerance_px * tolerance_px) continue;
    from.push_back(lists.sub.points[pair.sub]);
    to.push_back(lists.reference.points[pair.reference]);
  }
  if (from.size() < 3) return std::nullopt;
  const auto fit = fit_one_hand(from, to, {}, mirrored);
  if (!fit.usable) return std::nullopt;
  return fit.transform;
}

std::optional<Consensus> grow_consensus(const Lists& lists, const Transform& start, bool mirrored,
                                        Area area, double tolerance_px, std::uint64_t seed) {
  Consensus consensus{start, mirrored, {}};
  const double extent = extent_of(lists.sub);
  // Twice over the whole frame: the second time with the first one's better transform.
  int whole_passes = 0;
  while (whole_passes < 3) {
    if (area.radius >= extent) {
      area.radius = 0.0;
      ++whole_passes;
    }
    consensus.pairs = pair_up(lists, consensus.transform, tolerance_px, area);
    if (consensus.pairs.size() < 3) return std::nullopt;
    if (whole_passes == 1) {
      const auto sampled = msac_similarity(lists, consensus.pairs, mirrored, tolerance_px, seed);
      if (sampled) consensus.transform = *sampled;
    } else {
      const auto fit =
          fit_robustly(lists, consensus.pairs, {TransformModel::similarity, 1, mirrored});
      if (!fit.usable) return std::nullopt;
      consensus.transform = fit.transform;
    }
    area.radius = area.radius > 0.0 ? 1.7 * area.radius : 2.0 * extent;
  }
  return consensus;
}

}  // namespace coldframe::align
