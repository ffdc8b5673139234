#include "group_drizzle.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/pipeline/drizzle_pass.hpp"
#include "frame_access.hpp"
#include "group_grid.hpp"
#include "group_solve.hpp"
#include "preview.hpp"
#include "result_stars.hpp"
#include "result_writer.hpp"
#include "stage_clock.hpp"
#include "star_tables.hpp"

namespace coldframe::session {
namespace {

Canvas drizzled_canvas(const Canvas& ordinary, double finer) {
  Canvas canvas = ordinary;
  canvas.scale = ordinary.scale * finer;
  canvas.size = {static_cast<int>(ordinary.size.width * finer),
                 static_cast<int>(ordinary.size.height * finer)};
  return canvas;
}

// Measuring holds this much per pixel (see pipeline/memory_plan).
constexpr std::size_t measuring_bytes = 24;

// On a grid n times finer, drops of 1 - 1/n leave no gap between the samples of a single sub; from
// two times on halves do. A star of FWHM 1.1 px is 15 % sharper than resampled then, not with 0.7.
// A mosaic's colours have a quarter of the samples.
double drop_size_of(const RunOptions& options, int planes) {
  if (options.drop_size) return *options.drop_size;
  constexpr double coarse = 0.7, fine = 0.5;
  if (planes == 3) return coarse;
  return coarse - (coarse - fine) * std::clamp(*options.drizzle_scale - 1.0, 0.0, 1.0);
}

void warn_of_coverage(const pipeline::DrizzleTotals& totals, const RunOptions& options,
                      double drop_size, const ResultRecord& row, SessionRecord& record) {
  const double empty = *std::max_element(totals.empty_share.begin(), totals.empty_share.end());
  const double uneven = *std::max_element(totals.unevenness.begin(), totals.unevenness.end());
  constexpr double most_empty = 1e-4;
  constexpr double most_uneven = 0.25;
  if (empty <= most_empty && uneven <= most_uneven) return;
  record.warnings.push_back(
      {"drizzle-coverage",
       fmt::format("drizzle x{:.2g} with drops of {:.2g} px: the weight varies by {:.0f}% from "
                   "pixel to pixel and {:.2g}% of the pixels got no light; take more subs with "
                   "more dithers, or a larger --drop-size or smaller --drizzle",
                   *options.drizzle_scale, drop_size, 100.0 * uneven, 100.0 * empty),
       {row.drizzle_path}});
}

Header drizzle_header(const GroupState& group, const CombineContext& context, const Canvas& canvas,
                      PixelUnit unit, const ResultRecord& row) {
  Header header = result_header(reference_header(context, canvas), group, context.record,
                                context.options, unit);
  header.set("CFDRZSCL", *context.options.drizzle_scale, "drizzle: pixels per ordinary pixel");
  header.set("CFDRZDRP", drop_size_of(context.options, group.planes),
             "[pix] drizzle: side of a drop, sub pixels");
  set_moved_solution(header, row, canvas.size, *context.options.drizzle_scale);
  header.history("drizzled (Fruchter & Hook 2002); outliers told by the ordinary combination");
  return header;
}

pipeline::DrizzleSettings drizzle_settings(const GroupState& group, const RunOptions& options,
                                           Size canvas, const PixelSource* ordinary) {
  pipeline::DrizzleSettings settings;
  settings.canvas = canvas;
  settings.planes = group.planes;
  settings.ordinary_to_output = align::canvas_grid(*options.drizzle_scale);
  settings.drizzle.drop_size = drop_size_of(options, group.planes);
  settings.ordinary = ordinary;
  settings.kappa_low = std::max(options.combine.kappa_low, settings.kappa_low);
  settings.kappa_high = std::max(options.combine.kappa_high, settings.kappa_high);
  return settings;
}

// The published ratio is that of wide apertures; it is a little too large for narrow ones.
pipeline::CombineTotals noise_figures(int planes, double ratio) {
  pipeline::CombineTotals figures;
  pipeline::ApertureFactors wide{};
  wide.fill(ratio);
  figures.noise_correlation.assign(static_cast<std::size_t>(planes), wide);
  return figures;
}

}  // namespace

void check_drizzle_memory(const GroupState& group, const CombineContext& context) {
  const auto& options = context.options;
  const Canvas canvas = drizzled_canvas(context.canvas, *options.drizzle_scale);
  const auto pixels = static_cast<std::size_t>(canvas.size.count());
  const std::size_t need =
      pipeline::base_bytes + pipeline::kept_plane_bytes(canvas.size) +
      pipeline::drizzle_bytes(canvas.size, group.planes, canvas.scale, options.threads.resolved());
  if (need <= options.memory_bytes) return;
  throw Error(ErrorKind::usage, "",
              fmt::format("--memory {} MiB is too small to drizzle {:.0f} million pixels",
                          options.memory_bytes >> 20U, static_cast<double>(pixels) / 1e6),
              fmt::format("give at least {} MiB, or a smaller --drizzle", (need >> 20U) + 1));
}

void drizzle_group(const GroupState& group, std::span<const pipeline::CombineSub> list,
                   CombineContext& context, ResultRecord& row) {
  const auto& options = context.options;
  const StageClock clock(context.record.timings, "drizzle");
  const double finer = *options.drizzle_scale;
  const Canvas canvas = drizzled_canvas(context.canvas, finer);
  const auto ordinary = fits::ImageFile::open(options.out / row.path);
  const auto settings = drizzle_settings(group, options, canvas.size, ordinary.get());
  const auto& photometric = group.subs[group.photometric_reference];
  row.drizzle_path = context.result_name + "_drizzle.fits";
  const auto path = options.out / row.drizzle_path;
  ResultWriter writer(path, canvas.size, group.planes,
                      drizzle_header(group, context, canvas, photometric.calibration->unit, row));
  const auto totals =
      pipeline::drizzle_subs(list, settings, options.threads, context.watch,
                             [&](const pipeline::ResultStrip& strip) { writer.write(strip); });
  row.drizzle_noise_correlation =
      align::drizzle_noise_ratio(settings.drizzle.drop_size, 1.0 / finer);
  Header late;
  std::vector<fits::Table> tables;
  const auto pixels = static_cast<std::size_t>(canvas.size.count());
  if (pipeline::base_bytes + measuring_bytes * pixels <= options.memory_bytes) {
    const auto measured =
        measure_result(writer.take_kept_plane(), writer.take_kept_flags(),
                       photometric.calibration->electrons_per_unit(), options.threads);
    if (measured.quality.fitted > 0) {
      row.drizzle_fwhm_px = measured.quality.fwhm_px;
      late.set("FWHM", *row.drizzle_fwhm_px, "[pix] median of the result's stars");
    }
    tables.push_back(stars_table(measured.stars));
  }
  late.set("CFUNEVEN", *std::max_element(totals.unevenness.begin(), totals.unevenness.end()),
           "scatter of the weight from pixel to pixel / mean");
  tables.push_back(
      subs_table(context.record, static_cast<int>(&row - context.record.results.data())));
  writer.finish(noise_figures(group.planes, *row.drizzle_noise_correlation), late, tables);
  warn_of_coverage(totals, options, settings.drizzle.drop_size, row, context.record);
  write_preview(path, options.out / (context.result_name + "_drizzle.png"), row.colour_balance);
}

void offer_drizzle(const GroupState& group, CombineContext& context, const ResultRecord& row) {
  const auto& options = context.options;
  if (group.planes != 3 || options.drizzle_scale) return;
  // Distinct halves of the colour lattice's 2 x 2 period, by quarter pixels, that the dithers
  // reach.
  std::set<std::pair<int, int>> phases;
  int kept = 0;
  for (const auto& sub : group.subs) {
    if (!sub.kept || sub.calibration->cfa == CfaPattern::none) continue;
    ++kept;
    const Point p = sub.match.transform.apply(middle_of(sub));
    const auto phase = [](double v) {
      return static_cast<int>(std::floor((v - 2.0 * std::floor(v / 2.0)) * 2.0));
    };
    phases.insert({phase(p.x), phase(p.y)});
  }
  constexpr int enough_subs = 20;
  constexpr std::size_t enough_phases = 10;  // of 16
  if (kept < enough_subs || phases.size() < enough_phases) return;
  context.record.hints.push_back(
      {"drizzle-possible",
       fmt::format("{} subs with dithers over {} of 16 phases of the colour lattice: '--drizzle 1 "
                   "--drop-size 0.9' would combine them straight from the mosaic, without filling "
                   "in colours",
                   kept, phases.size()),
       0.0,
       {{"subs", static_cast<double>(kept)}, {"phases", static_cast<double>(phases.size())}},
       {row.path}});
}

}  // namespace coldframe::session
