// How each kept sub is brought to the reference's scale: sky surfaces and weights.
#include <algorithm>
#include <cmath>

#include "coldframe/stack/weights.hpp"
#include "decide.hpp"
#include "group_grid.hpp"

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

}  // namespace

void normalise_group(GroupState& group, Size canvas, const RunOptions& options) {
  const auto& reference = group.subs[group.photometric_reference];
  const auto planes = static_cast<std::size_t>(group.planes);
  for (auto& sub : group.subs) {
    sub.surfaces.clear();
    sub.weights.assign(planes, 0.0);
    if (!sub.kept || options.sky_matching == stack::SkyMatching::none || &sub == &reference)
      continue;
    for (std::size_t p = 0; p < planes; ++p) {
      sub.surfaces.push_back(
          stack::fit_sky_difference(sky_pairs(sub, reference, p), canvas, options.sky_matching));
    }
  }
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
}

}  // namespace coldframe::session
