#include "registration.hpp"

#include "set_ups.hpp"

namespace coldframe::session {
namespace {

bool no_worse(const align::MatchResult& second, const align::MatchResult& first) {
  if (second.status != align::MatchStatus::matched) return false;
  return 10 * second.pairs.size() >= 9 * first.pairs.size() &&
         second.median_px <= 1.05 * first.median_px;
}

}  // namespace

align::DistortionFit refine_registration(std::span<const RegisteredSub> subs,
                                         const RegisteredSub& reference, Threads threads) {
  const Transform identity;
  std::vector<SetUpMember> takers{{reference.info, reference.measured->frame, &identity}};
  std::vector<const RegisteredSub*> members;
  for (const auto& sub : subs) {
    const bool matched = sub.match->status == align::MatchStatus::matched;
    if (!matched || sub.measured == reference.measured) continue;
    takers.push_back({sub.info, sub.measured->frame, &sub.match->transform});
    members.push_back(&sub);
  }
  const SetUps set_ups = sort_by_set_up(takers);
  std::vector<align::DistortedSub> distorted;
  for (std::size_t i = 0; i < members.size(); ++i) {
    distorted.push_back(
        {members[i]->measured->stars, members[i]->match->transform, set_ups.of[i + 1]});
  }
  align::DistortionOptions options;
  options.frames = set_ups.frames;
  const auto& stars = reference.measured->stars;
  auto fit = align::fit_distortion(distorted, stars, options);
  const bool bent = fit.kind != align::DistortionKind::none;
  parallel_for(threads, members.size(), [&](std::size_t i) {
    auto& match = *members[i]->match;
    const Size frame = members[i]->measured->frame;
    align::MatchResult again;
    if (bent) {
      again = align::match_undistorted(distorted[i], frame, stars, fit.set_ups[distorted[i].set_up],
                                       fit.set_ups[0]);
    }
    if (no_worse(again, match)) {
      again.false_probability = match.false_probability;
      match = std::move(again);
      return;
    }
    again = align::refine_model(members[i]->measured->stars, frame, stars, match);
    if (no_worse(again, match)) match = std::move(again);
  });
  return fit;
}

}  // namespace coldframe::session
