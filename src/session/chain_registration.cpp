#include "chain_registration.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <vector>

namespace coldframe::session {
namespace {

constexpr std::size_t most_tries = 8;  // per sub and round
constexpr double same_place_px = 1.5;
constexpr double other_pointing = 0.25;  // of the frame's diagonal

bool matched(const ChainSub& sub) { return sub.match->status == align::MatchStatus::matched; }

Point middle_on_reference(const ChainSub& sub) {
  return sub.match->transform.apply({0.5 * (sub.frame.width - 1), 0.5 * (sub.frame.height - 1)});
}

// Neighbours in time first: drifting or clouding skies change least between them. Then one of
// each pointing.
std::vector<std::size_t> bridges_for(std::span<const ChainSub> subs, std::size_t wanted) {
  std::vector<std::size_t> near;
  std::vector<Point> pointings;
  const auto usable = [&](std::size_t i) {
    return matched(subs[i]) && !subs[i].match->transform.polynomial;
  };
  const auto take = [&](std::size_t i) {
    near.push_back(i);
    pointings.push_back(middle_on_reference(subs[i]));
  };
  for (std::size_t step = 1; step < subs.size() && near.size() < 4; ++step) {
    if (wanted >= step && usable(wanted - step)) take(wanted - step);
    if (wanted + step < subs.size() && usable(wanted + step)) take(wanted + step);
  }
  for (std::size_t i = 0; i < subs.size() && near.size() < most_tries; ++i) {
    if (!usable(i)) continue;
    const Point p = middle_on_reference(subs[i]);
    const double apart =
        other_pointing * std::hypot(double(subs[i].frame.width), double(subs[i].frame.height));
    const bool fresh = std::all_of(pointings.begin(), pointings.end(), [&](Point q) {
      return std::hypot(p.x - q.x, p.y - q.y) > apart;
    });
    if (fresh) take(i);
  }
  return near;
}

// Where the field overlaps the reference's, a true chain shows there: as many stars in place as the
// step's pairs and the shared part of the field promise, half of them at least.
bool shows_on_reference(const align::MatchResult& step,
                        const std::vector<std::pair<std::size_t, std::size_t>>& in_place,
                        std::span<const Star> sub, const Transform& to_reference, Size reference) {
  const auto inside = std::count_if(sub.begin(), sub.end(), [&](const Star& star) {
    const Point p = to_reference.apply({star.x, star.y});
    return p.x >= 0.0 && p.y >= 0.0 && p.x <= reference.width - 1 && p.y <= reference.height - 1;
  });
  const double share =
      static_cast<double>(inside) / static_cast<double>(std::max<std::size_t>(sub.size(), 1));
  const double promised = share * static_cast<double>(step.pairs.size());
  constexpr double too_few_to_ask = 3.0;
  return promised < too_few_to_ask || static_cast<double>(in_place.size()) >= 0.5 * promised;
}

struct Found {
  align::MatchResult match;
  int through = -1;
};

Found find_bridge(std::span<const ChainSub> subs, std::size_t i, const ChainReference& reference,
                  const PairMatcher& match) {
  for (const auto through : bridges_for(subs, i)) {
    auto step = match(i, through);
    if (step.status != align::MatchStatus::matched || step.transform.polynomial) continue;
    const auto& onward = *subs[through].match;
    const auto composed = step.transform.then(onward.transform);
    auto pairs = pairs_by_place(subs[i].stars, reference.stars, composed);
    if (!shows_on_reference(step, pairs, subs[i].stars, composed, reference.frame)) continue;
    Found found{std::move(step), static_cast<int>(through)};
    found.match.transform = composed;
    found.match.false_probability += onward.false_probability;
    found.match.pairs = std::move(pairs);
    return found;
  }
  return {};
}

}  // namespace

std::vector<std::pair<std::size_t, std::size_t>> pairs_by_place(std::span<const Star> sub,
                                                                std::span<const Star> reference,
                                                                const Transform& to_reference) {
  std::vector<std::pair<std::size_t, std::size_t>> pairs;
  std::vector<bool> taken(reference.size(), false);
  for (std::size_t i = 0; i < sub.size(); ++i) {
    const Point p = to_reference.apply({sub[i].x, sub[i].y});
    std::size_t best = reference.size();
    double nearest = same_place_px;
    for (std::size_t k = 0; k < reference.size(); ++k) {
      const double distance = std::hypot(reference[k].x - p.x, reference[k].y - p.y);
      if (distance < nearest && !taken[k]) {
        nearest = distance;
        best = k;
      }
    }
    if (best == reference.size()) continue;
    taken[best] = true;
    pairs.emplace_back(i, best);
  }
  return pairs;
}

std::size_t match_through_others(std::span<ChainSub> subs, const ChainReference& reference,
                                 const PairMatcher& match, Threads threads) {
  std::size_t gained = 0;
  for (;;) {
    std::vector<std::size_t> wanting;
    for (std::size_t i = 0; i < subs.size(); ++i) {
      if (subs[i].usable && !matched(subs[i])) wanting.push_back(i);
    }
    // One round sees the matches of the rounds before only: the order of the threads is nothing.
    std::vector<Found> found(wanting.size());
    parallel_for(threads, wanting.size(), [&](std::size_t k) {
      found[k] = find_bridge(subs, wanting[k], reference, match);
    });
    std::size_t fresh = 0;
    for (std::size_t k = 0; k < wanting.size(); ++k) {
      if (found[k].through < 0) continue;
      *subs[wanting[k]].match = std::move(found[k].match);
      subs[wanting[k]].through = found[k].through;
      ++fresh;
    }
    gained += fresh;
    if (fresh == 0) return gained;
  }
}

}  // namespace coldframe::session
