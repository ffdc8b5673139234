#include "align/model_choice.hpp"

#include <algorithm>
#include <cmath>

#include "align/fit.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::align {
namespace {

// Errors that no star list states: pixel response, blends, seeing across the field.
constexpr double floor_px = 0.02;
constexpr double clip_sigma = 3.5;
// Median of a 2-d Gaussian's distance in units of its sigma per axis, sqrt(2 ln 2).
constexpr double median_distance = 1.1774100225154747;

double scale_of(const Transform& t) noexcept {
  return std::sqrt(std::fabs(t.matrix[0] * t.matrix[4] - t.matrix[1] * t.matrix[3]));
}

// Expected position error of a pair in reference pixels.
double pair_error(const Lists& lists, const IndexPair& pair, double scale) noexcept {
  const double s = scale * lists.sub.error_px[pair.sub];
  const double r = lists.reference.error_px[pair.reference];
  return std::sqrt(s * s + r * r + floor_px * floor_px);
}

struct Columns {
  std::vector<Point> from, to;
  std::vector<double> weights;
};

Columns columns_of(const Lists& lists, const std::vector<IndexPair>& pairs, double scale) {
  Columns c;
  for (const IndexPair& pair : pairs) {
    c.from.push_back(lists.sub.points[pair.sub]);
    c.to.push_back(lists.reference.points[pair.reference]);
    const double error = pair_error(lists, pair, scale);
    c.weights.push_back(1.0 / (error * error));
  }
  return c;
}

TransformFit fit_kind(const Columns& c, const ModelKind& kind) {
  if (kind.model == TransformModel::similarity) {
    return fit_one_hand(c.from, c.to, c.weights, kind.mirrored);
  }
  return fit_transform(kind.model, c.from, c.to, c.weights, kind.order);
}

double residual(const Lists& lists, const IndexPair& pair, const Transform& t) noexcept {
  const Point p = t.apply(lists.sub.points[pair.sub]);
  const Point q = lists.reference.points[pair.reference];
  const double dx = p.x - q.x, dy = p.y - q.y;
  return std::sqrt(dx * dx + dy * dy);
}

// Ratio of reference to sub distances; weights need it before any fit.
double rough_scale(const Lists& lists, const std::vector<IndexPair>& pairs) {
  Columns c;
  for (const IndexPair& pair : pairs) {
    c.from.push_back(lists.sub.points[pair.sub]);
    c.to.push_back(lists.reference.points[pair.reference]);
  }
  const auto fit = fit_similarity(c.from, c.to, true);
  return fit.usable ? scale_of(fit.transform) : 1.0;
}

// Squared residuals over expected errors of pairs left out in turn; empty when a fold cannot be
// fitted.
std::vector<double> cross_validated(const Lists& lists, const std::vector<IndexPair>& pairs,
                                    const ModelKind& kind, double scale) {
  constexpr std::size_t folds = 5;
  std::vector<double> result(pairs.size());
  for (std::size_t fold = 0; fold < folds; ++fold) {
    std::vector<IndexPair> training;
    for (std::size_t i = 0; i < pairs.size(); ++i) {
      if (i % folds != fold) training.push_back(pairs[i]);
    }
    const auto fit = fit_robustly(lists, training, kind);
    if (!fit.usable) return {};
    for (std::size_t i = fold; i < pairs.size(); i += folds) {
      const double r =
          residual(lists, pairs[i], fit.transform) / pair_error(lists, pairs[i], scale);
      result[i] = r * r;
    }
  }
  return result;
}

// Whether `general` predicts better by so many standard errors; gross mismatches count alike for
// both.
bool much_better(const std::vector<double>& simple, const std::vector<double>& general,
                 double errors) {
  std::vector<double> sorted = simple;
  const double typical = median_in_place(sorted) / (median_distance * median_distance);
  const double most = clip_sigma * clip_sigma * typical;
  std::vector<double> gains;
  for (std::size_t i = 0; i < simple.size(); ++i) {
    gains.push_back(std::min(simple[i], most) - std::min(general[i], most));
  }
  const double error = standard_deviation(gains) / std::sqrt(static_cast<double>(gains.size()));
  return mean(std::span<const double>(gains)) > errors * error;
}

}  // namespace

std::size_t pairs_needed(const ModelKind& kind) noexcept {
  switch (kind.model) {
    case TransformModel::similarity:
      return 3;
    case TransformModel::affine:
      return 8;
    case TransformModel::homography:
      return 12;
    case TransformModel::polynomial:
      return 3 * Polynomial2::terms(kind.order);
  }
  return 0;
}

RobustFit fit_robustly(const Lists& lists, const std::vector<IndexPair>& pairs,
                       const ModelKind& kind) {
  RobustFit result;
  if (pairs.size() < 3) return result;
  const double scale = rough_scale(lists, pairs);
  result.kept = pairs;
  constexpr int most_passes = 12;
  for (int pass = 0; pass < most_passes; ++pass) {
    const auto fit = fit_kind(columns_of(lists, result.kept, scale), kind);
    if (!fit.usable) return result;
    result.transform = fit.transform;
    std::vector<double> relative, distance;
    for (const IndexPair& pair : pairs) {
      distance.push_back(residual(lists, pair, fit.transform));
      relative.push_back(distance.back() / pair_error(lists, pair, scale));
    }
    const double spread = median(std::span<const double>(relative)) / median_distance;
    result.sigma_px = median(std::span<const double>(distance)) / median_distance;
    constexpr double always_px = 1e-6;
    std::vector<IndexPair> kept;
    for (std::size_t i = 0; i < pairs.size(); ++i) {
      if (relative[i] > clip_sigma * spread && distance[i] > always_px) continue;
      kept.push_back({pairs[i].sub, pairs[i].reference, distance[i]});
    }
    const bool settled =
        kept.size() == result.kept.size() &&
        std::ranges::equal(kept, result.kept, {}, &IndexPair::sub, &IndexPair::sub);
    result.kept = std::move(kept);
    if (settled) break;
  }
  result.usable = result.kept.size() >= 3;
  return result;
}

ModelKind choose_model(const Lists& lists, const std::vector<IndexPair>& all_pairs,
                       TransformModel highest, bool mirrored) {
  // Some hundreds of pairs, of every brightness, decide as well as thousands.
  constexpr std::size_t enough = 800;
  std::vector<IndexPair> pairs;
  const std::size_t step = std::max<std::size_t>(1, all_pairs.size() / enough);
  for (std::size_t i = 0; i < all_pairs.size(); i += step) pairs.push_back(all_pairs[i]);
  const double scale = rough_scale(lists, pairs);
  ModelKind best{TransformModel::similarity, 1, mirrored};
  auto best_errors = cross_validated(lists, pairs, best, scale);
  for (const ModelKind candidate : {ModelKind{TransformModel::affine, 1, mirrored},
                                    ModelKind{TransformModel::homography, 1, mirrored},
                                    ModelKind{TransformModel::polynomial, 3, mirrored},
                                    ModelKind{TransformModel::polynomial, 5, mirrored}}) {
    if (candidate.model > highest || pairs.size() < pairs_needed(candidate)) continue;
    auto errors = cross_validated(lists, pairs, candidate, scale);
    if (errors.empty()) continue;
    // Hundreds of subs are asked; one that bends without need does harm outside its stars.
    const double certain = candidate.model > TransformModel::affine ? 4.0 : 3.0;
    if (best_errors.empty() || much_better(best_errors, errors, certain)) {
      best = candidate;
      best_errors = std::move(errors);
    }
  }
  return best;
}

}  // namespace coldframe::align
