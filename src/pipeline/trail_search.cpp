#include "coldframe/pipeline/trail_search.hpp"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <optional>
#include <vector>

#include "coldframe/core/statistics.hpp"
#include "trail_judge.hpp"
#include "trail_model.hpp"
#include "trail_sensor.hpp"

namespace coldframe::pipeline {
namespace {

using detail::Picture;
using detail::PreviewGrid;
using detail::SensorLines;
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

// Neighbouring residuals go together where the seeing changes or the field is crowded: sums
// along short pieces then scatter more than white noise would.
double correlation_of(const Grid<float>& values, const Mask& mask, double noise) {
  constexpr int length = 12;
  const Size size = values.size();
  double factor = 1.0;
  for (const bool turned : {false, true}) {
    std::vector<double> sums;
    const int lines = turned ? size.width : size.height;
    const int along = turned ? size.height : size.width;
    for (int line = 0; line < lines; line += 3) {
      for (int start = 0; start + length <= along; start += length) {
        double sum = 0.0;
        int good = 0;
        for (int k = start; k < start + length; ++k) {
          const int x = turned ? line : k;
          const int y = turned ? k : line;
          if (mask(x, y) != 0) continue;
          sum += static_cast<double>(values(x, y));
          ++good;
        }
        if (good >= length / 2) sums.push_back(sum / (noise * std::sqrt(good)));
      }
    }
    constexpr std::size_t enough = 50;
    // Chance alone makes the larger of the two a little more than one.
    constexpr double chance = 1.02;
    if (sums.size() > enough) factor = std::max(factor, robust_sigma(sums) / chance);
  }
  return factor;
}

double usual_weight(const Grid<float>& weight, const Mask& mask) {
  constexpr int thin = 4;
  std::vector<float> sample;
  for (int j = 0; j < weight.height(); j += thin) {
    for (int i = 0; i < weight.width(); i += thin) {
      if (mask(i, j) == 0) sample.push_back(weight(i, j));
    }
  }
  return sample.empty() ? 1.0 : static_cast<double>(median_in_place(std::span<float>(sample)));
}

// The sub against the model on the sub's own grid: its noise stays white, whatever the transform.
struct Compared {
  TrailResidual residual;
  Grid<float> noise;  ///< relative, of one pixel
};

Compared compare(const SubMeasurement& sub, const Transform& transform, const TrailModel& model,
                 const detail::SubModel& others, const PreviewGrid& canvas) {
  const PreviewGrid own{sub.preview.size(), sub.preview_bin};
  const detail::PositionMesh mesh(own.size, [&](double i, double j) {
    return canvas.from_frame(transform.apply(own.to_frame(i, j)));
  });
  Compared out{
      {sub.preview.clone(), sub.preview_mask.clone(), Grid<float>(own.size), Grid<float>(own.size)},
      Grid<float>(own.size, 1.0F)};
  auto& r = out.residual;
  Grid<float> known(own.size);
  Grid<float> weight(own.size);
  Mask stars(own.size);
  for (int j = 0; j < own.size.height; ++j) {
    for (int i = 0; i < own.size.width; ++i) {
      const auto place = detail::Place::of(mesh.at(i, j));
      if (!place.inside(canvas.size)) {
        r.mask(i, j) |= mask_bit::outside;
        continue;
      }
      const float least = std::min(
          std::min(others.weight(place.x, place.y), others.weight(place.x + 1, place.y)),
          std::min(others.weight(place.x, place.y + 1), others.weight(place.x + 1, place.y + 1)));
      if (!(least > 0.0F)) r.mask(i, j) |= mask_bit::outside;
      r.model(i, j) = place.value(others.full);
      known(i, j) = place.value(others.known);
      weight(i, j) = std::max(least, 1e-3F);
      stars(i, j) = place.bits(model.stars());
      out.noise(i, j) = model.noise()(place.x, place.y);
    }
  }
  const auto scale = static_cast<float>(detail::scale_against(r.values, r.mask, r.model));
  r.model_noise = static_cast<double>(scale) / std::sqrt(usual_weight(weight, r.mask));
  for (int j = 0; j < own.size.height; ++j) {
    for (int i = 0; i < own.size.width; ++i) {
      r.mask(i, j) |= stars(i, j);
      r.values(i, j) -= scale * known(i, j);
      r.hidden(i, j) = scale * (r.model(i, j) - known(i, j));
      // Where the model itself was taken out, its noise came in.
      const float added = known(i, j) == r.model(i, j) ? scale * scale / weight(i, j) : 0.0F;
      r.model(i, j) *= scale;
      out.noise(i, j) *= std::sqrt(1.0F + added);
    }
  }
  return out;
}

// Noise of a sub's parts relative to the whole: a gradient or a vignetted corner changes it.
// Multiplies it into `noise`.
void add_local_noise(const Grid<float>& values, const Mask& mask, Grid<float>& noise) {
  constexpr int cell = detail::smooth_cell;
  const Size size = values.size();
  Grid<float> local((size.width + cell - 1) / cell, (size.height + cell - 1) / cell);
  std::vector<float> all;
  std::vector<float> sample;
  for (int b = 0; b < local.height(); ++b) {
    for (int a = 0; a < local.width(); ++a) {
      sample.clear();
      const Rect part =
          Rect{(a - 1) * cell, (b - 1) * cell, (a + 2) * cell, (b + 2) * cell}.intersect(
              whole(size));
      constexpr int thin = 5;
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0 + (2 * y) % thin; x < part.x1; x += thin) {
          if (mask(x, y) == 0) sample.push_back(std::fabs(values(x, y) / noise(x, y)));
        }
      }
      constexpr std::size_t enough = 200;
      if (sample.size() < enough) continue;
      local(a, b) = median_in_place(std::span<float>(sample));
      all.push_back(local(a, b));
    }
  }
  if (all.empty()) return;
  const float usual = std::max(median_in_place(std::span<float>(all)), 1e-6F);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const float here = local(x / cell, y / cell);
      if (here > 0.0F) noise(x, y) *= std::clamp(here / usual, 0.5F, 4.0F);
    }
  }
}

// Level taken out beside the trails known so far, then in units of the noise.
TrailResidual to_residual(const Compared& compared, std::span<const Trail> known) {
  const TrailResidual& from = compared.residual;
  TrailResidual out{from.values.clone(), from.mask.clone(), from.hidden.clone(),
                    from.model.clone(),  from.model_noise,  1.0};
  Mask beside = from.mask.clone();
  stack::mask_trails(known, whole(beside.size()), beside.view());
  detail::subtract_sky(out.values, beside);
  Grid<float> pixel_noise = compared.noise.clone();
  add_local_noise(out.values, beside, pixel_noise);
  std::vector<double> sample;
  for (int j = 0; j < out.values.height(); ++j) {
    for (int i = 0; i < out.values.width(); ++i) {
      out.values(i, j) /= pixel_noise(i, j);
      constexpr int thin = 3;
      if (beside(i, j) == 0 && (i + j) % thin == 0) {
        sample.push_back(static_cast<double>(out.values(i, j)));
      }
    }
  }
  constexpr std::size_t enough = 100;
  const double noise = sample.size() > enough ? robust_sigma(sample) : 0.0;
  if (noise > 0.0) out.correlation = correlation_of(out.values, beside, noise);
  const double unit = noise * out.correlation;
  const auto factor = unit > 0.0 ? static_cast<float>(1.0 / unit) : 0.0F;
  for (int j = 0; j < out.values.height(); ++j) {
    for (int i = 0; i < out.values.width(); ++i) {
      out.values(i, j) *= factor;
      out.hidden(i, j) *= factor / pixel_noise(i, j);
      out.model(i, j) *= factor;
    }
  }
  return out;
}

// What is not white (crowded fields, changing seeing) has larger extremes as well.
stack::TrailOptions stricter(stack::TrailOptions options, const TrailResidual& residual) {
  constexpr double usual = 1.05;
  options.min_significance += 6.0 * std::clamp(residual.correlation - usual, 0.0, 0.3);
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
    const TrailResidual residual = to_residual(compared, {});
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
  const TrailResidual residual = to_residual(compared, candidates);
  options = stricter(options, residual);
  std::vector<Trail> trails;
  for (Trail trail : stack::find_trails(residual.values.cview(), residual.mask.cview(), options)) {
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
  std::atomic<std::size_t> done{0};
  parallel_for(threads, subs.size(), [&](std::size_t i) {
    watch.check();
    const auto sub = subs[i].load();
    const auto member = std::lower_bound(chosen.begin(), chosen.end(), i);
    const auto others = member != chosen.end() && *member == i
                            ? model.without(static_cast<std::size_t>(member - chosen.begin()),
                                            detail::register_preview(sub, subs[i].transform, grid))
                            : model.of_all();
    const auto compared = compare(sub, subs[i].transform, model, others, grid);
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
