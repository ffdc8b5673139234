// Combining files named on the command line.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "aligned_files.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/session/tools.hpp"
#include "decide.hpp"
#include "describe.hpp"
#include "frame_access.hpp"
#include "given_transforms.hpp"
#include "group_grid.hpp"
#include "group_lines.hpp"
#include "group_work.hpp"
#include "plain_calibration.hpp"
#include "reference_choice.hpp"
#include "stage_clock.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

// Half-size colour frames say where their planes were sampled; others: at the pixels' centres.
std::array<Point, 3> plane_offsets(const fs::path& path) {
  const Header header = fits::ImageFile::open(path)->header();
  std::array<Point, 3> offsets{};
  for (std::size_t p = 0; p < 3; ++p) {
    const auto card = [&](const char* axis) {
      const double value = header.real(fmt::format("CFPL{}{}", axis, p + 1)).value_or(0.0);
      return std::fabs(value) <= 1.0 ? value : 0.0;
    };
    offsets[p] = {card("X"), card("Y")};
  }
  return offsets;
}

GroupState group_of_files(const Inventory& inventory) {
  GroupState group;
  for (std::size_t i = 0; i < inventory.frames.size(); ++i) {
    const auto& entry = inventory.frames[i];
    SubState sub;
    sub.name = entry.name;
    sub.path = entry.path;
    sub.info = &entry.info;
    sub.frame = i;
    auto calibration = plain_calibration(entry.info);
    // Files in electrons say so with EGAIN 1; their pixels need no factor.
    if (entry.info.gain_e_per_adu == 1.0) calibration.unit = PixelUnit::electron;
    sub.calibration = std::make_shared<pipeline::Calibration>(std::move(calibration));
    sub.cache_key = "integrate";
    if (entry.info.cfa != CfaPattern::none || entry.info.planes == 3) group.planes = 3;
    if (entry.info.planes == 3) sub.plane_offset = plane_offsets(entry.path);
    group.subs.push_back(std::move(sub));
  }
  if (!inventory.frames.empty()) {
    group.object = inventory.frames.front().info.object;
    group.filter = inventory.frames.front().info.filter;
  }
  return group;
}

void take_as_aligned(GroupState& group) {
  for (auto& sub : group.subs) {
    if (!sub.usable) continue;
    sub.match.status = align::MatchStatus::matched;
    sub.match.transform.model = TransformModel::affine;
    sub.match.false_probability = 0.0;
    sub.match.pairs.clear();
  }
}

// The owner's transforms in place of matching: files that they do not tell are left out.
std::size_t take_known(GroupState& group, const IntegrateJob& job) {
  const GivenTransforms given(job.transforms);
  GroupState* const groups[] = {&group};
  const SubState& reference = given.hand_out(groups);
  for (auto& sub : group.subs) {
    if (sub.usable && sub.given) take_given(sub, reference);
  }
  complete_registration(group, reference);
  return static_cast<std::size_t>(&reference - group.subs.data());
}

// Matches the files, or takes what the owner gives; the index of the reference.
std::size_t register_all(GroupState& group, const IntegrateJob& job, const Watch& watch) {
  std::vector<const SubState*> candidates;
  for (const auto& sub : group.subs) candidates.push_back(&sub);
  if (!job.transforms.empty()) return take_known(group, job);
  const auto& options = job.options;
  const auto chosen = choose_reference(candidates, options.reference);
  if (job.aligned) {
    take_as_aligned(group);
    return chosen;
  }
  return settle_reference(candidates, chosen, !options.reference.empty(), [&](std::size_t i) {
    register_group(group, group.subs[i], options.threads, watch);
  });
}

}  // namespace

SessionRecord integrate_files(const IntegrateJob& job, const Watch& watch) {
  SessionRecord record;
  RunOptions options = job.options;
  if (options.memory_bytes == 0) options.memory_bytes = default_memory_bytes();
  record.memory_bytes = options.memory_bytes;
  options.out = job.out.has_parent_path() ? job.out.parent_path() : fs::path(".");
  fits::make_folder(options.out);  // before hours of work, not after
  const auto inventory = take_stock_of_files(job.files, options.supplied, options.threads, watch);
  record.left_out = inventory.left_out;
  GroupState group = group_of_files(inventory);
  if (group.subs.empty()) {
    throw Error(ErrorKind::not_enough_data, "", "none of the files could be used",
                "check the files");
  }
  check_lines(options.lines, group);
  pipeline::MemoryDemand demand;
  demand.frame = demand.canvas = inventory.frames.front().info.size;
  demand.planes = group.planes;
  demand.subs = group.subs.size();
  demand.sets = 0;
  demand.threads = options.threads.resolved();
  demand.demosaic = options.demosaic;
  const auto plan = pipeline::plan_memory(demand, options.memory_bytes);
  const bool sky_alone = job.aligned && job.transforms.empty() && sky_is_enough(group, options);
  {
    // Nothing is cached between calls: files change hands too often here.
    const StageClock clock(record.timings, "measure");
    RunOptions uncached = options;
    uncached.out.clear();
    if (sky_alone) {
      measure_skies(group, plan, record, watch);
    } else {
      measure_group(group, uncached, plan, record, watch);
    }
  }
  std::vector<std::string> sub_names;
  for (const auto& sub : group.subs) sub_names.push_back(sub.name);
  if (options.weighting == stack::Weighting::owner) {
    check_owner_weights(options.owner_weights, sub_names);
    for (auto& name : weightless_subs(options.owner_weights, sub_names)) {
      options.keep.drop.push_back(std::move(name));
    }
  }
  const SubState* reference = nullptr;
  {
    const StageClock clock(record.timings, "register");
    if (sky_alone) {
      take_as_aligned(group);
      reference = &group.subs[take_all(group, options)];
    } else {
      reference = &group.subs[register_all(group, job, watch)];
    }
  }
  if (!sky_alone) {
    judge_group(group, options.keep, reference);
    describe_group(group, options.threads);
  }
  const Canvas canvas = choose_canvas(kept_footprints(group), reference->measured.frame,
                                      canvas_options(options, *reference->info));
  place_on_canvas(group, canvas);
  normalise_group(group, canvas.size, options);
  options.remove_background = false;
  const ResultRecord row = result_row(group);
  record.results.push_back(row);
  record_subs(group, 0, nullptr, record);
  if (row.subs_kept == 0) {
    throw Error(ErrorKind::not_enough_data, "",
                "no file could be kept: " + group.subs.front().reason,
                "see --json for the reasons");
  }
  // Aligned files are copied where the canvas is their own grid, else resampled onto it.
  const bool shifted = std::any_of(group.subs.begin(), group.subs.end(), [](const SubState& sub) {
    return std::any_of(sub.plane_offset.begin(), sub.plane_offset.end(),
                       [](Point p) { return p.x != 0.0 || p.y != 0.0; });
  });
  const bool on_grid = job.aligned && !shifted && canvas.is_reference(reference->measured.frame);
  CombineContext context{options, record,     watch, job.out.stem().string(), reference, canvas, 0,
                         on_grid, &inventory, false};
  combine_group(group, context, 0);
  separate_group_lines(group, context, 0);
  record.state = "done";
  record.peak_memory_bytes = peak_memory_bytes();
  return record;
}

}  // namespace coldframe::session
