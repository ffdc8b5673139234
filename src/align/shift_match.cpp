#include "coldframe/align/shift_match.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace coldframe::align {
namespace {

struct Vote {
  double dx = 0.0;
  double dy = 0.0;
  std::size_t sub = 0;
  std::size_t reference = 0;
};

struct Pile {
  double dx = 0.0;
  double dy = 0.0;
  std::size_t votes = 0;
  double expected = 0.0;  ///< by chance, from the ring around it
};

double distance2(const Vote& v, double dx, double dy) noexcept {
  return (v.dx - dx) * (v.dx - dx) + (v.dy - dy) * (v.dy - dy);
}

std::vector<Vote> cast_votes(std::span<const Star> sub, std::span<const Star> reference,
                             bool turned, Point centre, const ShiftMatchOptions& options) {
  std::vector<Vote> votes;
  for (std::size_t i = 0; i < std::min(sub.size(), options.most_stars); ++i) {
    const double x = turned ? 2.0 * centre.x - sub[i].x : sub[i].x;
    const double y = turned ? 2.0 * centre.y - sub[i].y : sub[i].y;
    for (std::size_t j = 0; j < std::min(reference.size(), options.most_stars); ++j) {
      const double dx = reference[j].x - x;
      const double dy = reference[j].y - y;
      if (std::hypot(dx, dy) <= options.largest_shift_px) votes.push_back({dx, dy, i, j});
    }
  }
  std::sort(votes.begin(), votes.end(), [](const Vote& a, const Vote& b) { return a.dx < b.dx; });
  return votes;
}

/// Votes with |dx - centre| <= reach, as a range of the sorted list.
std::span<const Vote> near_in_x(std::span<const Vote> votes, double dx, double reach) {
  const auto low = std::lower_bound(votes.begin(), votes.end(), dx - reach,
                                    [](const Vote& v, double limit) { return v.dx < limit; });
  const auto high = std::upper_bound(low, votes.end(), dx + reach,
                                     [](double limit, const Vote& v) { return limit < v.dx; });
  return {low, high};
}

Pile highest_pile(std::span<const Vote> votes, double radius) {
  Pile best;
  for (const Vote& centre : votes) {
    std::size_t count = 0;
    double sx = 0.0;
    double sy = 0.0;
    for (const Vote& v : near_in_x(votes, centre.dx, radius)) {
      if (distance2(v, centre.dx, centre.dy) > radius * radius) continue;
      ++count;
      sx += v.dx;
      sy += v.dy;
    }
    if (count > best.votes) {
      best.votes = count;
      best.dx = sx / static_cast<double>(count);
      best.dy = sy / static_cast<double>(count);
    }
  }
  constexpr double ring_inner = 3.0;  // radii
  constexpr double ring_outer = 9.0;
  std::size_t around = 0;
  for (const Vote& v : near_in_x(votes, best.dx, ring_outer * radius)) {
    const double d2 = distance2(v, best.dx, best.dy);
    if (d2 > ring_inner * ring_inner * radius * radius &&
        d2 <= ring_outer * ring_outer * radius * radius) {
      ++around;
    }
  }
  best.expected =
      (static_cast<double>(around) + 1.0) / (ring_outer * ring_outer - ring_inner * ring_inner);
  return best;
}

/// P(at least n) of a Poisson count with the given mean, by its series.
double poisson_tail(std::size_t n, double mean) {
  double log_term = -mean;
  for (std::size_t k = 1; k <= n; ++k) log_term += std::log(mean / static_cast<double>(k));
  double sum = 0.0;
  double term = std::exp(log_term);
  for (std::size_t k = n; term > 1e-18 * (sum + 1e-300) && k < n + 1000; ++k) {
    sum += term;
    term *= mean / static_cast<double>(k + 1);
  }
  return std::min(sum, 1.0);
}

MatchResult result_of(const Pile& pile, std::span<const Vote> votes, bool turned, Point centre,
                      const ShiftMatchOptions& options) {
  MatchResult result;
  const double sign = turned ? -1.0 : 1.0;
  double sx = 0.0;
  double sy = 0.0;
  double squares = 0.0;
  std::vector<double> distances;
  const double radius2 = options.tolerance_px * options.tolerance_px;
  for (const Vote& v : near_in_x(votes, pile.dx, options.tolerance_px)) {
    if (distance2(v, pile.dx, pile.dy) > radius2) continue;
    result.pairs.emplace_back(v.sub, v.reference);
    sx += v.dx;
    sy += v.dy;
    squares += distance2(v, pile.dx, pile.dy);
    distances.push_back(std::sqrt(distance2(v, pile.dx, pile.dy)));
  }
  const auto count = static_cast<double>(std::max<std::size_t>(result.pairs.size(), 1));
  result.transform = Transform::affine(sign, 0.0, sx / count + (turned ? 2.0 * centre.x : 0.0), 0.0,
                                       sign, sy / count + (turned ? 2.0 * centre.y : 0.0));
  result.rms_px = std::sqrt(squares / (2.0 * count));
  if (!distances.empty()) {
    const auto middle = distances.begin() + static_cast<std::ptrdiff_t>(distances.size() / 2);
    std::nth_element(distances.begin(), middle, distances.end());
    result.median_px = *middle;
  }
  return result;
}

}  // namespace

MatchResult match_by_shift(std::span<const Star> sub, std::span<const Star> reference, Point centre,
                           const ShiftMatchOptions& options) {
  MatchResult best;
  if (sub.size() < 4 || reference.size() < 4) return best;
  best.status = MatchStatus::no_consensus;
  for (const bool turned : {false, true}) {
    const auto votes = cast_votes(sub, reference, turned, centre, options);
    if (votes.empty()) continue;
    const Pile pile = highest_pile(votes, options.tolerance_px);
    // Every place of a pile, and both orientations, were a chance to be wrong.
    const double places = 2.0 * std::numbers::pi * options.largest_shift_px *
                          options.largest_shift_px /
                          (std::numbers::pi * options.tolerance_px * options.tolerance_px);
    const double chance = std::min(places * poisson_tail(pile.votes, pile.expected), 1.0);
    if (chance >= best.false_probability) continue;
    best = result_of(pile, votes, turned, centre, options);
    best.false_probability = chance;
    best.status =
        chance <= options.max_false_probability ? MatchStatus::matched : MatchStatus::ambiguous;
  }
  return best;
}

}  // namespace coldframe::align
