// How each kept sub is brought to the reference's scale: sky surfaces and weights.
#include <algorithm>
#include <cmath>

#include "coldframe/stack/weights.hpp"
#include "decide.hpp"
#include "group_grid.hpp"
#include "mosaic.hpp"

namespace coldframe::session {
namespace {

// Level of both frames at the centres of the reference's sky cells.
std::vector<stack::SkyPair> sky_pairs(const SubState& sub, const SubState& reference,
                                      std::size_t plane) {
  std::vector<stack::SkyPair> pairs;
  const auto& mesh = reference.measured.sky[plane];
  const auto& own = sub.measured.sky[plane];
  for (int j = 0; j < mesh.mesh.level.height(); ++j) {
    for (int i = 0; i < mesh.mesh.level.width(); ++i) {
      const Point there{((i + 0.5) * mesh.mesh.cell_px - 0.5) * mesh.step + mesh.offset_x,
                        ((j + 0.5) * mesh.mesh.cell_px - 0.5) * mesh.step + mesh.offset_y};
      const Point canvas = reference.to_canvas.apply(there);
      const Point here = sub.to_canvas.unapply(canvas);
      if (here.x < 0.0 || here.y < 0.0 || here.x > sub.measured.frame.width - 1 ||
          here.y > sub.measured.frame.height - 1) {
        continue;
      }
      pairs.push_back(
          {canvas, sub.scale.scale * sub.to_canvas.source_area(here) * own.level_at(here.x, here.y),
           reference.to_canvas.source_area(there) * mesh.level_at(there.x, there.y), 1.0});
    }
  }
  return pairs;
}

// Not for subs that see other fields: a slope found in one corner of a large canvas means nothing
// in the others.
bool sees_the_same(const SubState& sub, const SubState& reference, Size canvas) {
  const Point middle = sub.to_canvas.apply(middle_of(sub));
  const Point there = reference.to_canvas.apply(middle_of(reference));
  return std::fabs(middle.x - there.x) < 0.2 * canvas.width &&
         std::fabs(middle.y - there.y) < 0.2 * canvas.height;
}

void centre_surfaces(GroupState& group, Size canvas) {
  auto& reference = group.subs[group.photometric_reference];
  for (const auto& sub : group.subs) {
    if (sub.kept && !sees_the_same(sub, reference, canvas)) return;
  }
  for (std::size_t p = 0; p < static_cast<std::size_t>(group.planes); ++p) {
    std::vector<stack::SkySurface*> surfaces;
    std::vector<double> weights;
    for (auto& sub : group.subs) {
      if (!sub.kept) continue;
      if (sub.surfaces.size() <= p) sub.surfaces.push_back({canvas, 0, {0.0}, 0.0});
      surfaces.push_back(&sub.surfaces[p]);
      weights.push_back(sub.weights[p]);
    }
    stack::take_out_mean_slopes(surfaces, weights);
  }
}

// A sub that adds nothing must not count in exposure and number either.
void leave_out_weightless(GroupState& group) {
  for (auto& sub : group.subs) {
    const bool any =
        std::any_of(sub.weights.begin(), sub.weights.end(), [](double w) { return w > 0.0; });
    if (!sub.kept || any) continue;
    sub.kept = false;
    sub.decision = {};
    sub.decision.rule = "weight";
    sub.decision.words = "its weight is 0: noise or star width could not be measured";
    sub.reason = sub.decision.words;
  }
}

}  // namespace

void normalise_group(GroupState& group, Size canvas, const RunOptions& options) {
  const auto& reference = group.subs[group.photometric_reference];
  const auto planes = static_cast<std::size_t>(group.planes);
  const bool joint =
      options.sky_matching != stack::SkyMatching::none && is_mosaic(group, reference);
  for (auto& sub : group.subs) {
    sub.surfaces.clear();
    sub.weights.assign(planes, 0.0);
    if (!sub.kept || options.sky_matching == stack::SkyMatching::none || &sub == &reference ||
        joint) {
      continue;
    }
    for (std::size_t p = 0; p < planes; ++p) {
      sub.surfaces.push_back(
          stack::fit_sky_difference(sky_pairs(sub, reference, p), canvas, options.sky_matching));
    }
  }
  if (joint) join_skies(group, canvas, options.sky_matching);
  for (std::size_t p = 0; p < planes; ++p) {
    std::vector<stack::SubNoise> noises;
    std::vector<std::size_t> owners;
    for (std::size_t i = 0; i < group.subs.size(); ++i) {
      const auto& sub = group.subs[i];
      if (!sub.kept) continue;
      // On the canvas, where subs of different set-ups meet: the sum over an area A of pixels has
      // sqrt(A) times their noise.
      const double side = std::sqrt(sub.to_canvas.source_area(middle_of(sub)));
      noises.push_back({sub.measured.sky[p].mesh.median_noise() * side, sub.scale.scale,
                        std::max(sub.measured.quality.fwhm_px, 0.5) / side,
                        owner_weight(options.owner_weights, sub.name)});
      owners.push_back(i);
    }
    const auto weights = stack::sub_weights(noises, options.weighting);
    for (std::size_t k = 0; k < owners.size(); ++k) group.subs[owners[k]].weights[p] = weights[k];
  }
  leave_out_weightless(group);
  if (options.sky_matching == stack::SkyMatching::surface) centre_surfaces(group, canvas);
}

}  // namespace coldframe::session
