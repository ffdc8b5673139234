#include "group_solve.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "colour_stars.hpp"
#include "result_writer.hpp"
#include "solving_parts.hpp"
#include "stage_clock.hpp"

namespace coldframe::session {
namespace {

MeasuredImage facts_of(const GroupState& group, const CombineContext& context,
                       const ResultRecord& row, const stars::FrameMeasurement& measured,
                       const pipeline::CombineTotals& totals) {
  MeasuredImage image;
  const auto& info = *context.reference->info;
  image.frame = context.canvas.size;
  image.stars = measured.stars;
  image.quality = measured.quality;
  if (info.ra_deg && info.dec_deg) image.pointing = SkyPoint{*info.ra_deg, *info.dec_deg};
  if (const auto scale = info.arcsec_per_px()) image.arcsec_per_px = *scale / context.canvas.scale;
  image.exposure_s = group.subs[group.photometric_reference].info->exposure_s;
  image.noise_per_px = row.noise_per_px.value_or(measured.quality.noise_per_px);
  image.sky_per_px = measured.quality.sky_level;
  std::vector<std::pair<double, double>> known;
  for (std::size_t k = 0; k < pipeline::aperture_sides.size(); ++k) {
    known.emplace_back(pipeline::aperture_sides[k], largest_correlation(totals, k));
  }
  image.noise_factor = [known](double side) { return factor_at(known, side); };
  return image;
}

// How deep the kept subs were together, one after the other.
std::vector<sky::DepthPoint> growth_of(const SessionRecord& record, int result, double final_mag) {
  std::vector<const SubRecord*> kept;
  for (const auto& sub : record.subs) {
    if (sub.result == result && sub.kept) kept.push_back(&sub);
  }
  std::stable_sort(kept.begin(), kept.end(),
                   [](const SubRecord* a, const SubRecord* b) { return a->start < b->start; });
  std::vector<sky::DepthStep> steps;
  for (const auto* sub : kept) {
    steps.push_back({sub->exposure_s.value_or(0.0), sub->snr_share.value_or(0.0)});
  }
  return sky::depth_growth(steps, final_mag);
}

// The sub's own solution: the result's, seen through the transform. No higher order than needed.
std::optional<sky::TanSip> wcs_of_sub(const SubState& sub, const sky::TanSip& result,
                                      int highest_order) {
  constexpr int side = 12;
  constexpr double close_px = 0.003;
  std::vector<sky::PixelSky> points;
  const Size frame = sub.measured.frame;
  for (int j = 0; j <= side; ++j) {
    for (int i = 0; i <= side; ++i) {
      const Point here{double(i) * (frame.width - 1) / side, double(j) * (frame.height - 1) / side};
      points.push_back({here, result.to_sky(sub.to_canvas.apply(here)), 1.0});
    }
  }
  std::optional<sky::TanSip> best;
  for (int order = 1; order <= highest_order; ++order) {
    best = sky::fit_tan_sip(points, frame, order, result.tangent);
    if (!best) break;
    double worst = 0.0;
    for (const Point p : sky::residuals_of(*best, points)) {
      worst = std::max(worst, std::hypot(p.x, p.y));
    }
    if (worst < close_px) break;
  }
  return best;
}

void set_sub_solutions(const GroupState& group, int result, const sky::TanSip& wcs,
                       SessionRecord& record) {
  constexpr int highest_order = 5;
  std::size_t index = 0;
  for (auto& row : record.subs) {
    if (row.result != result) continue;
    const auto& sub = group.subs[index++];
    if (sub.match.status != align::MatchStatus::matched) continue;
    row.wcs = wcs_of_sub(sub, wcs, highest_order);
  }
}

}  // namespace

Header set_solution_aside(Header& header, const RunOptions& options) {
  Header aside;
  if (options.solving.catalogue.path.empty()) return aside;
  for (const auto& card : header.cards()) {
    if (sky::is_solution_card(card.keyword)) aside.add(card);
  }
  for (const auto& card : aside.cards()) header.remove(card.keyword);
  return aside;
}

SolvedParts solve_result(const GroupState& group, CombineContext& context, int result,
                         const stars::FrameMeasurement& measured,
                         const pipeline::CombineTotals& totals, const Header& old_cards) {
  SolvedParts parts;
  parts.cards = old_cards;
  const auto& options = context.options.solving;
  if (options.catalogue.path.empty()) return parts;
  const StageClock clock(context.record.timings, "solve");
  auto& row = context.record.results[static_cast<std::size_t>(result)];
  const auto image = facts_of(group, context, row, measured, totals);
  const auto warn = [&](const std::string& why) {
    context.record.warnings.push_back(
        {"not-solved", "the result has no place on the sky: " + why, {row.path}});
  };
  try {
    const auto catalogue = read_catalogue(options.catalogue, year_of(*context.reference->info));
    row.solved = solve_image(image, catalogue, options, context.options.threads);
  } catch (const Error& error) {
    warn(error.fault() + "; " + error.mend());
    return parts;
  }
  auto& solved = *row.solved;
  if (!solved.solved()) {
    warn(solved.why_not + "; check --position, --pixel-scale and --search-radius");
    return parts;
  }
  if (solved.depth.limiting_mag) {
    solved.depth.growth = growth_of(context.record, result, *solved.depth.limiting_mag);
  }
  set_sub_solutions(group, result, solved.plate.wcs, context.record);
  parts.cards = solved_cards(solved);
  parts.tables.push_back(photometry_table(solved));
  row.photometry_path = context.result_name + "_photometry.csv";
  fits::write_file_atomically(context.options.out / row.photometry_path, photometry_csv(solved));
  return parts;
}

void set_moved_solution(Header& header, const ResultRecord& row, Size canvas, double finer) {
  if (!row.solved || !row.solved->solved()) return;
  Header cards = solved_cards(*row.solved);
  move_sky_coordinates(cards, Canvas{canvas, 0, 0, finer});
  std::vector<std::string> stale;
  for (const auto& card : header.cards()) {
    if (sky::is_solution_card(card.keyword)) stale.push_back(card.keyword);
  }
  for (const auto& keyword : stale) header.remove(keyword);
  for (const auto& card : cards.cards()) header.add(card);
}

std::optional<sky::Extinction> extinction_of(const SessionRecord& record, int result) {
  std::vector<sky::ExtinctionSample> samples;
  for (const auto& sub : record.subs) {
    if (sub.result != result || !sub.airmass || !sub.transparency) continue;
    if (!(*sub.transparency > 0.0)) continue;
    const double relative = sub.transparency_error.value_or(0.0) / *sub.transparency;
    samples.push_back({*sub.airmass, -2.5 * std::log10(*sub.transparency), 1.0857 * relative});
  }
  return sky::fit_extinction(samples);
}

std::optional<sky::ColourBalance> balance_result(const std::filesystem::path& image,
                                                 const stars::FrameMeasurement& measured,
                                                 const ResultRecord& row,
                                                 const SolvingOptions& options) {
  if (row.planes != 3) return std::nullopt;
  if (row.solved && row.solved->solved()) {
    return balance_of(image, *row.solved, options.white_colour);
  }
  // Without a solution: the measured stars alone, their mean colour taken for white.
  MeasuredImage facts;
  facts.frame = measured.sky.frame;
  facts.stars = measured.stars;
  facts.quality = measured.quality;
  facts.noise_factor = [](double) { return 1.0; };
  SolvedImage plain;
  plain.table = photometry_rows(facts, {}, plain);
  return balance_of(image, plain, {});
}

}  // namespace coldframe::session
