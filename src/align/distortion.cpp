#include "coldframe/align/distortion.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "align/joint_solver.hpp"
#include "align/star_pairs.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::align {
namespace {

constexpr std::uint32_t folds = 5;
constexpr double floor_px = 0.02;  // errors that no star list states, as in the choice of models
constexpr double median_distance = 1.1774100225154747;
constexpr std::size_t fewest_pairs = 12;  // of a sub that takes part

Distortion optics_of(Size frame) {
  Distortion optics;
  optics.centre = {0.5 * (frame.width - 1), 0.5 * (frame.height - 1)};
  optics.scale = std::max(1.0, 0.5 * std::hypot(frame.width, frame.height));
  return optics;
}

JointSub joint_sub(const DistortedSub& sub, std::span<const Star> reference,
                   const DistortionOptions& options) {
  const Lists lists(sub.stars, reference);
  JointSub joint;
  joint.set_up = sub.set_up;
  const auto& frame = options.frames[sub.set_up];
  const auto local = sub.start.local({0.5 * (frame.width - 1), 0.5 * (frame.height - 1)});
  const auto& j = local.jacobian;
  const Point c{0.5 * (frame.width - 1), 0.5 * (frame.height - 1)};
  joint.start = {j[0], j[1], local.value.x - (j[0] * c.x + j[1] * c.y),
                 j[2], j[3], local.value.y - (j[2] * c.x + j[3] * c.y)};
  const double scale = std::sqrt(std::fabs(local.determinant()));
  for (const IndexPair& pair : pair_up(lists, sub.start, options.tolerance_px)) {
    const double s = scale * lists.sub.error_px[pair.sub];
    const double r = lists.reference.error_px[pair.reference];
    joint.pairs.push_back({lists.sub.points[pair.sub], lists.reference.points[pair.reference],
                           std::sqrt(s * s + r * r + floor_px * floor_px),
                           static_cast<std::uint32_t>(lists.reference.original[pair.reference])});
    if (joint.pairs.size() >= options.most_stars) break;  // brightest first
  }
  return joint;
}

JointProblem problem_of(std::span<const DistortedSub> subs, std::span<const Star> reference,
                        const DistortionOptions& options) {
  JointProblem problem;
  problem.reference_set_up = options.reference_set_up;
  for (const Size frame : options.frames) problem.set_ups.push_back(optics_of(frame));
  const std::size_t most = std::max<std::size_t>(1, options.most_subs);
  const std::size_t chosen = std::min(subs.size(), most);
  for (std::size_t i = 0; i < chosen; ++i) {
    auto joint = joint_sub(subs[i * subs.size() / chosen], reference, options);
    if (joint.pairs.size() >= fewest_pairs) problem.subs.push_back(std::move(joint));
  }
  return problem;
}

// Squared residuals over expected errors of pairs left out in turn, in the problem's order of
// pairs; distances in pixels beside them. Empty when a fold cannot be fitted.
struct CrossValidation {
  std::vector<double> squares, distance_px;
  [[nodiscard]] double scale_px() const { return median(distance_px) / median_distance; }
};

CrossValidation cross_validate(const JointProblem& problem, DistortionKind kind) {
  CrossValidation result;
  std::vector<JointSolution> solutions;
  for (std::uint32_t fold = 0; fold < folds; ++fold) {
    solutions.push_back(solve_jointly(problem, kind, folds, fold));
    if (!solutions.back().usable) return {};
  }
  for (std::size_t i = 0; i < problem.subs.size(); ++i) {
    for (const auto& pair : problem.subs[i].pairs) {
      const Point r = joint_residual(solutions[pair.star % folds], problem, i, pair);
      result.distance_px.push_back(std::sqrt(r.x * r.x + r.y * r.y));
      const double relative = result.distance_px.back() / pair.error_px;
      result.squares.push_back(relative * relative);
    }
  }
  return result;
}

// Whether `general` predicts significantly better. Pairs with one reference star share its error
// and count as one.
bool much_better(const JointProblem& problem, const CrossValidation& simple,
                 const CrossValidation& general) {
  constexpr double clip_sigma = 3.5;
  const double typical = median(simple.squares) / (median_distance * median_distance);
  const double most = clip_sigma * clip_sigma * typical;
  struct Gain {
    double sum = 0.0;
    double count = 0.0;
  };
  std::map<std::uint32_t, Gain> by_star;
  std::size_t k = 0;
  for (const auto& sub : problem.subs) {
    for (const auto& pair : sub.pairs) {
      auto& gain = by_star[pair.star];
      gain.sum += std::min(simple.squares[k], most) - std::min(general.squares[k], most);
      gain.count += 1.0;
      ++k;
    }
  }
  std::vector<double> gains;
  for (const auto& [star, gain] : by_star) gains.push_back(gain.sum / gain.count);
  if (gains.size() < 2) return false;
  const double error = standard_deviation(gains) / std::sqrt(static_cast<double>(gains.size()));
  return mean(std::span<const double>(gains)) > 3.0 * error;
}

bool enough_for(DistortionKind kind, const JointProblem& problem, std::size_t pairs) {
  const std::size_t shared = Distortion::terms(kind) * problem.set_ups.size();
  return pairs >= 3 * (shared + 3 * problem.subs.size());
}

}  // namespace

DistortionFit fit_distortion(std::span<const DistortedSub> subs, std::span<const Star> reference,
                             const DistortionOptions& options) {
  DistortionFit fit;
  for (const Size frame : options.frames) fit.set_ups.push_back(optics_of(frame));
  if (subs.empty()) return fit;
  const auto problem = problem_of(subs, reference, options);
  fit.subs = problem.subs.size();
  for (const auto& sub : problem.subs) fit.pairs += sub.pairs.size();
  if (problem.subs.empty()) return fit;
  auto best = cross_validate(problem, DistortionKind::none);
  if (best.squares.empty()) return fit;
  fit.plain_px = fit.modelled_px = best.scale_px();
  for (const auto kind : {DistortionKind::radial, DistortionKind::cubic, DistortionKind::quintic}) {
    if (kind > options.highest || !enough_for(kind, problem, fit.pairs)) continue;
    // Terms of degree 5 never stand alone.
    if (kind == DistortionKind::quintic && fit.kind == DistortionKind::none) continue;
    auto general = cross_validate(problem, kind);
    if (general.squares.empty() || !much_better(problem, best, general)) continue;
    auto solution = solve_jointly(problem, kind);
    if (!solution.usable) continue;
    fit.kind = kind;
    fit.set_ups = std::move(solution.set_ups);
    fit.modelled_px = general.scale_px();
    best = std::move(general);
  }
  return fit;
}

std::vector<ResidualVector> residual_vectors(const MatchResult& match, std::span<const Star> sub,
                                             std::span<const Star> reference, std::size_t most) {
  std::vector<ResidualVector> vectors;
  const std::size_t count = std::min(most, match.pairs.size());
  for (std::size_t i = 0; i < count; ++i) {
    const auto& [own, partner] = match.pairs[i * match.pairs.size() / count];
    const Point p{sub[own].x, sub[own].y};
    const Point q = match.transform.apply(p);
    vectors.push_back({p, q.x - reference[partner].x, q.y - reference[partner].y});
  }
  return vectors;
}

}  // namespace coldframe::align
