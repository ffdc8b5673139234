#include "registration.hpp"

#include <cmath>
#include <string>

namespace coldframe::session {
namespace {

struct SetUp {
  const FrameInfo* info = nullptr;
  Size frame;
  double scale = 1.0;  ///< reference pixels per pixel
  bool mirrored = false;
};

SetUp seen_set_up(const RegisteredSub& sub, const Transform& to_reference) {
  SetUp set_up{sub.info, sub.measured->frame, 1.0, false};
  const auto& f = set_up.frame;
  const auto j = to_reference.jacobian({0.5 * (f.width - 1), 0.5 * (f.height - 1)});
  const double det = j[0] * j[3] - j[1] * j[2];
  set_up.scale = std::sqrt(std::fabs(det));
  set_up.mirrored = det < 0.0;
  return set_up;
}

bool alike(const SetUp& a, const SetUp& b) {
  // Focus and temperature move the scale by some 1e-4; a changed reducer by far more.
  constexpr double same_scale = 0.004;
  if (!(a.frame == b.frame) || a.mirrored != b.mirrored ||
      std::fabs(a.scale / b.scale - 1.0) > same_scale) {
    return false;
  }
  if (a.info == nullptr || b.info == nullptr) return true;
  return a.info->camera == b.info->camera && a.info->telescope == b.info->telescope &&
         a.info->binning_x == b.info->binning_x &&
         a.info->focal_length_mm == b.info->focal_length_mm;
}

std::size_t index_of(const SetUp& set_up, std::vector<SetUp>& known) {
  for (std::size_t i = 0; i < known.size(); ++i) {
    if (alike(known[i], set_up)) return i;
  }
  known.push_back(set_up);
  return known.size() - 1;
}

bool no_worse(const align::MatchResult& second, const align::MatchResult& first) {
  if (second.status != align::MatchStatus::matched) return false;
  return 10 * second.pairs.size() >= 9 * first.pairs.size() &&
         second.median_px <= 1.05 * first.median_px;
}

}  // namespace

align::DistortionFit refine_registration(std::span<const RegisteredSub> subs,
                                         const RegisteredSub& reference, Threads threads) {
  std::vector<SetUp> known{seen_set_up(reference, {})};
  std::vector<align::DistortedSub> distorted;
  std::vector<const RegisteredSub*> members;
  for (const auto& sub : subs) {
    const bool matched = sub.match->status == align::MatchStatus::matched;
    if (!matched || sub.measured == reference.measured) continue;
    const auto set_up = index_of(seen_set_up(sub, sub.match->transform), known);
    distorted.push_back({sub.measured->stars, sub.match->transform, set_up});
    members.push_back(&sub);
  }
  align::DistortionOptions options;
  for (const auto& set_up : known) options.frames.push_back(set_up.frame);
  const auto& stars = reference.measured->stars;
  auto fit = align::fit_distortion(distorted, stars, options);
  if (fit.kind == align::DistortionKind::none) return fit;
  parallel_for(threads, members.size(), [&](std::size_t i) {
    auto& match = *members[i]->match;
    auto again = align::match_undistorted(distorted[i], members[i]->measured->frame, stars,
                                          fit.set_ups[distorted[i].set_up], fit.set_ups[0]);
    if (!no_worse(again, match)) return;
    again.false_probability = match.false_probability;
    match = std::move(again);
  });
  return fit;
}

}  // namespace coldframe::session
