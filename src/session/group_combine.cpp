#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "check_parts.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/pipeline/trail_search.hpp"
#include "flat_sky.hpp"
#include "frame_access.hpp"
#include "free_memory.hpp"
#include "group_drizzle.hpp"
#include "group_grid.hpp"
#include "group_reading.hpp"
#include "group_solve.hpp"
#include "group_work.hpp"
#include "measure_cache.hpp"
#include "preview.hpp"
#include "raw_frame.hpp"
#include "result_stars.hpp"
#include "result_writer.hpp"
#include "stage_clock.hpp"
#include "star_tables.hpp"

namespace coldframe::session {
namespace {

std::vector<std::size_t> kept_subs(const GroupState& group) {
  std::vector<std::size_t> kept;
  for (std::size_t i = 0; i < group.subs.size(); ++i) {
    if (group.subs[i].kept) kept.push_back(i);
  }
  return kept;
}

// From the cache, or, where nothing is cached, what stayed in memory.
pipeline::SubMeasurement with_preview(const SubState& sub) {
  if (sub.cache_file.empty()) {
    pipeline::SubMeasurement measured;
    measured.frame = sub.measured.frame;
    measured.preview = sub.measured.preview.clone();
    measured.preview_mask = sub.measured.preview_mask.clone();
    measured.preview_bin = sub.measured.preview_bin;
    return measured;
  }
  auto measured = read_measurement(sub.cache_file, sub.cache_key);
  if (!measured) {
    throw Error(ErrorKind::io, sub.cache_file.string(), "changed during the run",
                "start the run again");
  }
  return std::move(*measured);
}

void find_trails(GroupState& group, const std::vector<std::size_t>& kept, Size canvas,
                 const CombineContext& context) {
  std::vector<pipeline::PreviewSub> previews;
  for (const auto i : kept) {
    const auto& sub = group.subs[i];
    previews.push_back({[&sub] { return with_preview(sub); }, sub.to_canvas});
  }
  auto trails =
      pipeline::search_trails(previews, canvas, {}, context.options.threads, context.watch);
  for (std::size_t k = 0; k < kept.size(); ++k) group.subs[kept[k]].trails = std::move(trails[k]);
}

pipeline::CombineSettings settings_for(const GroupState& group, Size canvas,
                                       const CombineContext& context, std::size_t kept) {
  pipeline::CombineSettings settings;
  settings.canvas = canvas;
  settings.planes = group.planes;
  settings.resample = context.options.resample;
  settings.combine = context.options.combine;
  if (kept < 2) settings.combine.rule = stack::Rejection::none;
  settings.demosaic = context.options.demosaic;
  settings.identity = context.identity;
  const auto& reference = group.subs[group.photometric_reference];
  const double area = reference.to_canvas.source_area(middle_of(reference));
  for (const auto& sky : reference.measured.sky) {
    settings.sky_level.push_back(area * sky.mesh.median_level());
  }
  return settings;
}

void complete_sub_rows(const GroupState& group, const std::vector<std::size_t>& kept, int result,
                       const pipeline::CombineTotals& totals, SessionRecord& record) {
  std::size_t row = 0;
  std::size_t k = 0;
  for (auto& sub : record.subs) {
    if (sub.result != result) continue;
    const std::size_t index = row++;
    if (k >= kept.size() || kept[k] != index) continue;
    const auto samples = static_cast<double>(std::max<std::uint64_t>(totals.samples[k], 1));
    sub.clipped_low = static_cast<double>(totals.clipped[2 * k]) / samples;
    sub.clipped_high = static_cast<double>(totals.clipped[2 * k + 1]) / samples;
    if (k < totals.depth.contribution.size()) sub.contribution = totals.depth.contribution[k];
    const auto& state = group.subs[index];
    sub.canvas_trails = state.trails;
    for (auto trail : state.trails) {
      const Point a = state.to_canvas.unapply({trail.x1, trail.y1});
      const Point b = state.to_canvas.unapply({trail.x2, trail.y2});
      trail.x1 = a.x;
      trail.y1 = a.y;
      trail.x2 = b.x;
      trail.y2 = b.y;
      sub.trails.push_back(trail);
    }
    ++k;
  }
}

// Enough to see on a picture which stars were measured.
std::vector<Point> brightest_places(const StarList& stars) {
  constexpr std::size_t most = 1000;
  std::vector<Point> places;
  for (const auto& star : stars) {
    if (places.size() == most) break;
    places.push_back({star.x, star.y});
  }
  return places;
}

// The same result without the smooth light of the sky.
void flatten(ResultRecord& row, const CombineContext& context) {
  const StageClock clock(context.record.timings, "flat-sky");
  const std::string name = context.result_name + "_flat-sky.fits";
  const auto& out = context.options.out;
  sky::GradientOptions gradient;
  if (!context.options.background_regions.empty()) {
    try {
      read_regions(context.options.background_regions,
                   fits::ImageFile::open(out / row.path)->header(), gradient);
    } catch (const Error& error) {
      // What the owner wants protected must not be risked.
      context.record.warnings.push_back({"background-regions",
                                         "the sky's gradient is not removed: " + error.fault(),
                                         {row.path}});
      return;
    }
  }
  const auto outcome =
      write_flat_sky(out / row.path, out / name, gradient, context.options.threads);
  if (outcome.written) row.flat_sky_path = name;
  row.background = outcome.planes;
  if (!outcome.note.empty()) {
    context.record.warnings.push_back({"background", outcome.note, {row.path}});
  }
}

}  // namespace

Header reference_header(const CombineContext& context, const Canvas& canvas) {
  Header header = fits::ImageFile::open(context.reference->path)->header();
  trim_header(header, *context.reference->info);
  move_sky_coordinates(header, canvas);
  return header;
}

double largest_turn(const GroupState& group) {
  double largest = 0.0;
  for (const auto& sub : group.subs) {
    if (!sub.kept) continue;
    const auto& m = sub.to_canvas.matrix;
    double turn = std::fabs(std::atan2(m[3], m[0]));
    turn = std::min(turn, std::numbers::pi - turn);  // a flip costs nothing
    largest = std::max(largest, turn);
  }
  return largest;
}

namespace {

pipeline::MemoryPlan plan_strips(const GroupState& group, const std::vector<std::size_t>& kept,
                                 const CombineContext& context, const FrameReading& reading) {
  const Size canvas = context.canvas.size;
  pipeline::MemoryDemand demand;
  demand.frame = canvas;  // the result is measured like a frame
  for (const auto i : kept) {
    const auto& sub = group.subs[i];
    if (sub.measured.frame.count() > demand.frame.count()) demand.frame = sub.measured.frame;
    demand.shrink = std::max(demand.shrink, std::sqrt(sub.to_canvas.source_area(middle_of(sub))));
  }
  demand.canvas = canvas;
  demand.planes = group.planes;
  demand.demosaic = context.options.demosaic;
  demand.subs = kept.size();
  demand.sets = context.calibration_sets;
  demand.rotation_rad = context.identity ? 0.0 : largest_turn(group);
  demand.threads = context.options.threads.resolved();
  // The plane that is measured at the end stays in memory while strips are made.
  demand.resident = pipeline::kept_plane_bytes(canvas) + reading.held_bytes;
  return pipeline::plan_memory(demand, context.options.memory_bytes);
}

void note_depth(const pipeline::DepthFigures& depth, ResultRecord& row) {
  if (depth.snr_of_ideal > 0.0) row.snr_of_ideal = depth.snr_of_ideal;
  row.growth = depth.growth;
  if (row.growth.steps.empty()) return;
  const auto& all = row.growth.steps.back();
  // Independent noise unless the data say otherwise.
  const double beyond = row.growth.slope + 0.5;
  const double slope =
      beyond > 2.0 * row.growth.slope_error ? std::min(row.growth.slope, 0.0) : -0.5;
  row.doubling_mag =
      pipeline::gain_mag(all.noise * all.noise, depth.common_variance, slope, all.subs, all.subs);
}

// What the finished strips tell, once their stars are measured.
void note_result(const GroupState& group, const pipeline::CombineTotals& totals,
                 const ResultWriter& writer, const stars::FrameMeasurement& measured,
                 const CombineContext& context, ResultRecord& row) {
  row.path = context.result_name + ".fits";
  row.canvas = context.canvas.size;
  row.star_places = brightest_places(measured.stars);
  row.unit = to_string(group.subs[group.photometric_reference].calibration->unit);
  row.reference = context.reference->name;
  row.scale = context.canvas.scale;
  if (has_mosaic(group)) row.demosaic = sensor::to_string(context.options.demosaic);
  if (!writer.sampled_uncertainty().empty()) {
    row.noise_per_px = median(writer.sampled_uncertainty());
  }
  row.noise_correlation = largest_correlation(totals, pipeline::usual_aperture);
  note_depth(totals.depth, row);
  if (measured.quality.fitted > 0) row.fwhm_px = measured.quality.fwhm_px;
  const auto scale = context.reference->info->arcsec_per_px();
  if (row.fwhm_px && scale) row.fwhm_arcsec = *row.fwhm_px * *scale / context.canvas.scale;
}

void finish_result(GroupState& group, const std::vector<std::size_t>& kept,
                   const pipeline::CombineTotals& totals, ResultWriter& writer,
                   CombineContext& context, int result, const Header& old_solution) {
  auto& record = context.record;
  const auto& options = context.options;
  const StageClock clock(record.timings, "result");
  complete_sub_rows(group, kept, result, totals, record);
  const auto& photometric = group.subs[group.photometric_reference];
  const auto measured =
      measure_result(writer.take_kept_plane(), writer.take_kept_flags(),
                     photometric.calibration->electrons_per_unit(), options.threads);
  auto& row = record.results[static_cast<std::size_t>(result)];
  note_result(group, totals, writer, measured, context, row);
  Header late;
  if (row.fwhm_px) late.set("FWHM", *row.fwhm_px, "[pix] median of the result's stars");
  auto solved = solve_result(group, context, result, measured, totals, old_solution);
  for (const auto& card : solved.cards.cards()) late.add(card);
  solved.tables.insert(solved.tables.begin(),
                       {stars_table(measured.stars), subs_table(record, result)});
  writer.finish(totals, late, solved.tables);
  row.extinction = extinction_of(record, result);
  row.colour_balance = balance_result(options.out / row.path, measured, row, options.solving);
  if (row.solved) row.solved->table = {};  // in the result now
  if (options.remove_background) flatten(row, context);
  if (!context.picture) return;
  row.preview = context.result_name + ".png";
  write_preview(options.out / (row.flat_sky_path.empty() ? row.path : row.flat_sky_path),
                options.out / row.preview, row.colour_balance);
}

}  // namespace

void combine_group(GroupState& group, CombineContext& context, int result) {
  const auto& options = context.options;
  auto& record = context.record;
  const auto kept = kept_subs(group);
  if (options.drizzle_scale) check_drizzle_memory(group, context);
  check_shared_noise(group, record);
  if (options.search_trails && !context.identity) {
    const StageClock clock(record.timings, "trails");
    find_trails(group, kept, context.canvas.size, context);
  }
  return_free_memory();
  const FrameReading reading = plan_reading(group, kept, context);
  const auto plan = plan_strips(group, kept, context, reading);
  const auto unit = group.subs[group.photometric_reference].calibration->unit;
  Header reference = reference_header(context, context.canvas);
  const Header old_solution = set_solution_aside(reference, options);
  ResultWriter writer(options.out / (context.result_name + ".fits"), context.canvas.size,
                      group.planes, result_header(reference, group, record, options, unit));
  const auto settings = settings_for(group, context.canvas.size, context, kept.size());
  const auto list = combine_list(group, kept, reading);
  pipeline::CombineTotals totals;
  {
    const StageClock clock(record.timings, "combine");
    totals =
        pipeline::combine_subs(list, settings, plan, options.threads, context.watch,
                               [&](const pipeline::ResultStrip& strip) { writer.write(strip); });
  }
  finish_result(group, kept, totals, writer, context, result, old_solution);
  auto& row = record.results[static_cast<std::size_t>(result)];
  if (options.drizzle_scale) {
    drizzle_group(group, list, context, row);
  } else {
    offer_drizzle(group, context, row);
  }
}

}  // namespace coldframe::session
