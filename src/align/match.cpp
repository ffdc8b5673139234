#include "coldframe/align/match.hpp"

#include <algorithm>
#include <cmath>
#include <optional>

#include "align/consensus.hpp"
#include "align/fit.hpp"
#include "align/model_choice.hpp"
#include "align/triangles.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::align {
namespace {

// A finished attempt at a mapping.
struct Solution {
  RobustFit fit;
  double false_probability = 1.0;
};

bool plausible(const Transform& t, const MatchOptions& options) noexcept {
  const auto& m = t.matrix;
  const double det = m[0] * m[4] - m[1] * m[3];
  const double scale = std::sqrt(std::fabs(det));
  if (!(scale >= 0.98 * options.min_scale && scale <= 1.02 * options.max_scale)) return false;
  if (det < 0.0 && !options.allow_mirror) return false;
  // Two sights of one sky differ little in shape: sum of squares of the singular values
  // over twice their product is 1 for a similarity.
  const double squares = m[0] * m[0] + m[1] * m[1] + m[3] * m[3] + m[4] * m[4];
  return squares / (2.0 * std::fabs(det)) < 1.02;
}

// Chance of as many pairs at one tolerance, times the number of mappings tried. Pairs that
// the free parameters can place at will do not count, nor does one more for the search.
double chance_at(const Lists& lists, const RobustFit& fit, double tolerance, std::size_t free_pairs,
                 double trials) {
  std::size_t close = 0;
  for (const IndexPair& pair : fit.kept) close += pair.distance_px <= tolerance ? 1U : 0U;
  const auto chance = chance_of_pairs(lists, fit.transform, tolerance);
  if (close <= free_pairs || chance.candidates <= free_pairs) return 1.0;
  const double tail =
      binomial_tail(chance.candidates - free_pairs, close - free_pairs, chance.pair_probability);
  return std::min(1.0, trials * tail);
}

double false_probability(const Lists& lists, const RobustFit& fit, const MatchOptions& options,
                         double trials) {
  std::size_t free_pairs = 4;
  if (fit.transform.polynomial) {
    free_pairs = Polynomial2::terms(fit.transform.polynomial->order) + 1;
  }
  const double tight =
      std::clamp(3.5 * fit.sigma_px, 0.1 * options.tolerance_px, options.tolerance_px);
  // Two looks, so the better one counts double.
  const double wide_chance = chance_at(lists, fit, options.tolerance_px, free_pairs, trials);
  const double tight_chance = chance_at(lists, fit, tight, free_pairs, trials);
  return std::min(1.0, 2.0 * std::min(wide_chance, tight_chance));
}

// Final model and pairs: paired over the whole lists, model chosen, paired again.
std::optional<Solution> finish(const Lists& lists, const Consensus& consensus,
                               const MatchOptions& options, double trials) {
  Solution solution;
  auto pairs = consensus.pairs;
  for (int round = 0; round < 3; ++round) {
    const ModelKind kind = choose_model(lists, pairs, options.highest_model, consensus.mirrored);
    solution.fit = fit_robustly(lists, pairs, kind);
    if (!solution.fit.usable || !plausible(solution.fit.transform, options)) return std::nullopt;
    auto again = pair_up(lists, solution.fit.transform, options.tolerance_px);
    const bool settled = std::ranges::equal(again, pairs, [](const auto& a, const auto& b) {
      return a.sub == b.sub && a.reference == b.reference;
    });
    if (settled || again.size() < 3) break;
    pairs = std::move(again);
  }
  solution.false_probability = false_probability(lists, solution.fit, options, trials);
  return solution;
}

// Triangles of one depth and the mappings they propose.
class Search {
 public:
  Search(const Lists& lists, const MatchOptions& options) : lists_(lists), options_(options) {}

  // The best solution of this depth, or the first that is beyond doubt.
  std::optional<Solution> attempt(const TriangleOptions& depth) {
    const auto sub = make_triangles(lists_.sub.points, depth);
    const auto reference = make_triangles(lists_.reference.points, depth);
    TriangleMatchOptions alike;
    alike.allow_mirror = options_.allow_mirror;
    alike.min_scale = options_.min_scale;
    alike.max_scale = options_.max_scale;
    const auto matches =
        match_triangles(sub, reference, std::min(depth.stars, lists_.sub.points.size()),
                        std::min(depth.stars, lists_.reference.points.size()), alike);
    const double trials = std::max(1000.0, static_cast<double>(matches.size()));
    constexpr std::size_t most_checks = 800;
    constexpr int most_grown = 12;
    std::optional<Solution> best;
    refuted_.clear();
    int grown = 0;
    for (std::size_t i = 0; i < std::min(most_checks, matches.size()); ++i) {
      const auto& match = matches[i];
      auto solution =
          follow(sub[match.sub], reference[match.reference], match.mirrored, trials, grown);
      if (!solution) continue;
      if (!best || solution->false_probability < best->false_probability) best = solution;
      constexpr double beyond_doubt = 1e-3;
      if (best->false_probability <= beyond_doubt * options_.max_false_probability) break;
      if (grown >= most_grown) break;
    }
    return best;
  }

 private:
  std::optional<Solution> follow(const Triangle& s, const Triangle& r, bool mirrored, double trials,
                                 int& grown) {
    Point from[3], to[3];
    for (std::size_t k = 0; k < 3; ++k) {
      from[k] = lists_.sub.points[s.vertex[k]];
      to[k] = lists_.reference.points[r.vertex[k]];
    }
    const auto fit = fit_one_hand(from, to, {}, mirrored);
    if (!fit.usable || fit.rms_px > options_.tolerance_px || already_refuted(fit.transform, from)) {
      return std::nullopt;
    }
    const Area area{
        {(from[0].x + from[1].x + from[2].x) / 3.0, (from[0].y + from[1].y + from[2].y) / 3.0},
        6.0 * s.longest};
    if (!promising(fit.transform, area)) return std::nullopt;
    ++grown;
    const auto consensus =
        grow_consensus(lists_, fit.transform, mirrored, area, options_.tolerance_px, options_.seed);
    std::optional<Solution> solution;
    if (consensus) solution = finish(lists_, *consensus, options_, trials);
    if (!solution || solution->false_probability > options_.max_false_probability) {
      refuted_.push_back(fit.transform);
    }
    return solution;
  }

  // More neighbours of the triangle find partners than chance explains.
  [[nodiscard]] bool promising(const Transform& transform, const Area& area) const {
    constexpr std::size_t brightest = 200;
    const auto pairs = pair_up(lists_, transform, options_.tolerance_px, area, brightest);
    constexpr std::size_t own = 3;
    if (pairs.size() < own + 2) return false;
    const auto chance = chance_of_pairs(lists_, transform, options_.tolerance_px, area, brightest);
    if (chance.candidates <= own) return false;
    return binomial_tail(chance.candidates - own, pairs.size() - own, chance.pair_probability) <
           1e-3;
  }

  [[nodiscard]] bool already_refuted(const Transform& t, const Point (&corner)[3]) const noexcept {
    for (const Transform& old : refuted_) {
      bool same = true;
      for (const Point p : corner) {
        const Point a = t.apply(p), b = old.apply(p);
        const double dx = a.x - b.x, dy = a.y - b.y, most = 2.0 * options_.tolerance_px;
        same = same && dx * dx + dy * dy < most * most;
      }
      if (same) return true;
    }
    return false;
  }

  const Lists& lists_;
  const MatchOptions& options_;
  std::vector<Transform> refuted_;
};

MatchResult report(const Lists& lists, const Solution& solution, const MatchOptions& options) {
  MatchResult result;
  result.transform = solution.fit.transform;
  result.false_probability = solution.false_probability;
  double squares = 0.0;
  std::vector<double> distances;
  for (const IndexPair& pair : solution.fit.kept) {
    result.pairs.emplace_back(lists.sub.original[pair.sub],
                              lists.reference.original[pair.reference]);
    squares += pair.distance_px * pair.distance_px;
    distances.push_back(pair.distance_px);
  }
  result.rms_px = std::sqrt(squares / (2.0 * static_cast<double>(distances.size())));
  result.median_px = median_in_place(distances);
  const auto enough = static_cast<std::size_t>(std::max(options.minimum_pairs, 3));
  if (result.pairs.size() < enough) {
    result.status = MatchStatus::no_consensus;
  } else if (result.false_probability > options.max_false_probability) {
    result.status = MatchStatus::ambiguous;
  } else {
    result.status = MatchStatus::matched;
  }
  return result;
}

}  // namespace

std::string_view to_string(MatchStatus status) noexcept {
  switch (status) {
    case MatchStatus::matched:
      return "matched";
    case MatchStatus::too_few_stars:
      return "too few stars";
    case MatchStatus::no_consensus:
      return "no consensus";
    case MatchStatus::ambiguous:
      return "ambiguous";
  }
  return "";
}

MatchResult match_stars(std::span<const Star> sub, std::span<const Star> reference,
                        const MatchOptions& options) {
  const Lists lists(sub, reference);
  MatchResult result;
  const auto enough = static_cast<std::size_t>(std::max(options.minimum_pairs, 3));
  if (lists.sub.points.size() < enough || lists.reference.points.size() < enough) return result;
  result.status = MatchStatus::no_consensus;
  Search search(lists, options);
  const auto first = static_cast<std::size_t>(std::max(options.brightest, 8));
  const std::size_t longest = std::max(lists.sub.points.size(), lists.reference.points.size());
  constexpr std::size_t most_stars = 4000;
  constexpr std::size_t neighbours[4] = {6, 8, 8, 6};
  std::size_t depth = first;
  for (const std::size_t near : neighbours) {
    const auto solution = search.attempt({std::min(depth, std::max(first, most_stars)), near, 16});
    if (solution) {
      auto attempt = report(lists, *solution, options);
      if (attempt.status == MatchStatus::matched) return attempt;
      if (attempt.false_probability < result.false_probability) result = std::move(attempt);
    }
    if (depth >= std::min(longest, most_stars)) break;
    depth *= 4;
  }
  return result;
}

}  // namespace coldframe::align
