#include "coldframe/pipeline/trail_search.hpp"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <optional>
#include <vector>

#include "coldframe/core/statistics.hpp"
#include "trail_judge.hpp"
#include "trail_model.hpp"
#include "trail_residual.hpp"
#include "trail_sensor.hpp"

namespace coldframe::pipeline {
namespace {

using detail::Compared;
using detail::Picture;
using detail::PreviewGrid;
using detail::SensorLines;
using detail::SubModel;
using detail::TrailModel;
using detail::TrailResidual;
using stack::Trail;

constexpr std::size_t most_in_model = 15;  // previews in the mean: enough for any outlier

std::vector<std::size_t> spread_choice(std::size_t count) {
  std::vector<std::size_t> chosen;
  const std::size_t wanted = std::min(count, most_in_model);
  for (std::size_t k = 0; k < wanted; ++k) chosen.push_back(k * count / wanted);
  return chosen;
}

// What is not white (crowded fields, changing seeing) has larger extremes as well, and no real
// residual is as white as drawn noise: on 24 simulated clean nights of 12 subs lines of up to 6.9
// were chance where drawn noise has none above 6.
stack::TrailOptions stricter(stack::TrailOptions options, const TrailResidual& residual) {
  constexpr double usual = 1.05;
  constexpr double never_white = 0.6;
  options.min_significance +=
      never_white + 6.0 * std::clamp(residual.correlation - usual, 0.0, 0.3);
  return options;
}

// A trail is part of the level around it at first: the level takes a twentieth of a narrow one's
// light, and the wings of a bright one. What may be one is measured again with the level of the sky
// beside it.
std::vector<Trail> search_sub(const Compared& compared, stack::TrailOptions options,
                              SensorLines* lines) {
  constexpr double lost_to_level = 0.6;
  std::vector<Trail> candidates;
  {
    const TrailResidual residual = to_residual(compared, {}, false);
    if (lines != nullptr) *lines = SensorLines(residual);
    auto all = stricter(options, residual);
    all.min_significance -= lost_to_level;
    candidates = stack::find_trails(residual.values.cview(), residual.mask.cview(), all);
  }
  // Broad and faint ones are the sky's own structure: without them no level would be left.
  constexpr double broad_px = 8.0;
  constexpr double bright = 30.0;
  std::erase_if(candidates,
                [](const Trail& t) { return t.core_px > broad_px && t.significance < bright; });
  if (candidates.empty()) return {};
  TrailResidual residual = to_residual(compared, candidates, true);
  options = stricter(options, residual);
  const auto found = stack::find_trails(residual.values.cview(), residual.mask.cview(), options);
  const Mask alone = residual.mask.clone();
  std::vector<Trail> trails;
  for (Trail trail : found) {
    // Brighter ones are no part of the sky that this one is judged by.
    if (found.size() > 1) residual.mask = alone.clone();
    for (const Trail& other : found) {
      if (!(other.significance > trail.significance)) continue;
      stack::mask_trails(std::span(&other, 1), whole(alone.size()), residual.mask.view());
    }
    if (detail::is_trail(residual, trail, options.min_significance)) trails.push_back(trail);
  }
  return trails;
}

// From preview pixels to the sub's own.
Trail to_frame(Trail trail, const PreviewGrid& own) noexcept {
  const Point a = own.to_frame(trail.x1, trail.y1);
  const Point b = own.to_frame(trail.x2, trail.y2);
  trail.x1 = a.x;
  trail.y1 = a.y;
  trail.x2 = b.x;
  trail.y2 = b.y;
  trail.width_px *= own.bin;
  trail.core_px *= own.bin;
  return trail;
}

Trail to_canvas(Trail trail, const Transform& transform) noexcept {
  const Point a = transform.apply({trail.x1, trail.y1});
  const Point b = transform.apply({trail.x2, trail.y2});
  const double before = std::hypot(trail.x2 - trail.x1, trail.y2 - trail.y1);
  trail.x1 = a.x;
  trail.y1 = a.y;
  trail.x2 = b.x;
  trail.y2 = b.y;
  const double stretch = before > 0.0 ? std::hypot(b.x - a.x, b.y - a.y) / before : 1.0;
  trail.width_px *= stretch;
  trail.core_px *= stretch;
  return trail;
}

// Wings matter when they are seen in the result: a sub's light counts 1/N there, and the noise
// falls with the root of N.
double faintest_wing(std::size_t subs, int bin) noexcept {
  constexpr double of_result = 0.05;
  constexpr std::size_t most = 12;
  return of_result * std::sqrt(static_cast<double>(std::min(subs, most))) * bin;
}

}  // namespace

std::vector<std::vector<Trail>> search_trails(std::span<const PreviewSub> subs, Size canvas,
                                              const stack::TrailOptions& options, Threads threads,
                                              const Watch& watch) {
  std::vector<std::vector<Trail>> trails(subs.size());
  if (subs.size() < 2) return trails;
  PreviewGrid grid;
  grid.bin = subs.front().load().preview_bin;
  grid.size = {canvas.width / grid.bin, canvas.height / grid.bin};
  if (grid.size.width < 16 || grid.size.height < 16) return trails;
  const auto chosen = spread_choice(subs.size());
  std::vector<Picture> members(chosen.size());
  parallel_for(threads, chosen.size(), [&](std::size_t k) {
    const auto& sub = subs[chosen[k]];
    members[k] = detail::register_preview(sub.load(), sub.transform, grid);
  });
  const TrailModel model(std::move(members), grid.size, threads);
  // Of many subs some show what the detector does.
  constexpr std::size_t most_lines = 60;
  const std::size_t line_step = (subs.size() + most_lines - 1) / most_lines;
  std::vector<SensorLines> lines(subs.size());
  std::vector<PreviewGrid> grids(subs.size());
  const SubModel of_all = subs.size() > chosen.size() ? model.of_all() : SubModel{};
  std::atomic<std::size_t> done{0};
  parallel_for(threads, subs.size(), [&](std::size_t i) {
    watch.check();
    const auto sub = subs[i].load();
    const auto member = std::lower_bound(chosen.begin(), chosen.end(), i);
    SubModel others;
    const bool own = member != chosen.end() && *member == i;
    if (own) {
      others = model.without(static_cast<std::size_t>(member - chosen.begin()),
                             detail::register_preview(sub, subs[i].transform, grid));
    }
    const auto compared = compare(sub, subs[i].transform, model, own ? others : of_all, grid);
    others = {};
    auto wanted = options;
    wanted.faintest_wing = faintest_wing(subs.size(), sub.preview_bin);
    grids[i] = {sub.preview.size(), sub.preview_bin};
    trails[i] = search_sub(compared, wanted, i % line_step == 0 ? &lines[i] : nullptr);
    watch.report("trails", done.fetch_add(1) + 1, subs.size());
  });
  for (std::size_t i = 0; i < subs.size(); ++i) {
    std::erase_if(trails[i], [&](const Trail& t) { return lies_on_sensor(t, lines, i); });
    for (Trail& trail : trails[i]) {
      trail = to_canvas(to_frame(trail, grids[i]), subs[i].transform);
    }
  }
  return trails;
}

}  // namespace coldframe::pipeline
