#include "coldframe/session/run.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <optional>
#include <set>

#include "calibration_checks.hpp"
#include "calibration_store.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/nights.hpp"
#include "coldframe/session/pairing.hpp"
#include "colour.hpp"
#include "decide.hpp"
#include "describe.hpp"
#include "digest.hpp"
#include "folder_labels.hpp"
#include "frame_access.hpp"
#include "given_transforms.hpp"
#include "group_grid.hpp"
#include "group_lines.hpp"
#include "group_work.hpp"
#include "hints.hpp"
#include "kept_grid.hpp"
#include "master_library.hpp"
#include "mosaic_check.hpp"
#include "owner_lists.hpp"
#include "reference_choice.hpp"
#include "stage_clock.hpp"

namespace coldframe::session {
namespace {

class Run {
 public:
  Run(const RunOptions& options, const Watch& watch)
      : options_(options), watch_(watch), keeper_(options.out) {
    if (options_.memory_bytes == 0) options_.memory_bytes = default_memory_bytes();
    if (!options_.transforms.empty()) given_.emplace(options_.transforms);
    record_.memory_bytes = options_.memory_bytes;
  }

  SessionRecord go() {
    take_stock_and_pair();
    check_weights();
    check_transforms();
    const auto plan = plan_measuring();
    {
      const StageClock clock(record_.timings, "masters");
      store_ = std::make_unique<CalibrationStore>(inventory_, pairing_, options_, record_, watch_);
      store_->build_masters();
      check_dark_frames(inventory_, pairing_, record_);
    }
    keeper_.save(record_);
    measure_all(plan);
    kept_grid_ = grid_to_keep(options_.out, groups_);
    std::map<std::string, std::vector<std::size_t>> objects;
    for (std::size_t g = 0; g < groups_.size(); ++g) objects[groups_[g].object].push_back(g);
    for (const auto& [object, members] : objects) make_results(members);
    compose_colours(objects);
    finish();
    return std::move(record_);
  }

 private:
  void take_stock_and_pair() {
    const StageClock clock(record_.timings, "survey");
    std::vector<std::filesystem::path> folders{options_.session};
    folders.insert(folders.end(), options_.more_sessions.begin(), options_.more_sessions.end());
    inventory_ =
        take_stock_of_folders(folders, options_.out, options_.supplied, options_.threads, watch_);
    if (folders.size() > 1) record_.folders = folder_labels(folders);
    if (auto note = night_split_note(inventory_)) inventory_.warnings.push_back(std::move(*note));
    check_mosaics(inventory_);
    name_unnamed_objects();
    if (!options_.masters.empty()) {
      add_master_library(inventory_, options_.masters, options_.supplied, options_.threads, watch_);
    }
    warn_of_unknown_names(inventory_, options_.keep);
    pairing_ = pair_with_pixels(inventory_, options_.tolerances, options_.threads, watch_);
    record_.left_out = inventory_.left_out;
    record_.warnings = inventory_.warnings;
    record_.warnings.insert(record_.warnings.end(), pairing_.warnings.begin(),
                            pairing_.warnings.end());
    watch_.report("survey", inventory_.frames.size(), inventory_.frames.size());
    check_lines(options_.lines, inventory_, pairing_);
    if (pairing_.groups.empty()) {
      keeper_.save(record_);
      throw Error(ErrorKind::not_enough_data, options_.session.string(),
                  fmt::format("holds no usable light frame ({} files could not be used)",
                              record_.left_out.size()),
                  "see 'coldframe survey' for what was found");
    }
  }

  // Before any work is done.
  void check_weights() {
    if (options_.weighting != stack::Weighting::owner) return;
    std::vector<std::string> lights;
    for (const auto& group : pairing_.groups) {
      for (const auto light : group.lights) lights.push_back(inventory_.frames[light].name);
    }
    check_owner_weights(options_.owner_weights, lights);
    // Left out like a sub that the owner drops: it counts in no exposure.
    for (auto& name : weightless_subs(options_.owner_weights, lights)) {
      options_.keep.drop.push_back(std::move(name));
    }
  }

  void check_transforms() {
    if (!given_) return;
    std::vector<std::filesystem::path> lights;
    std::vector<std::string> names;
    for (const auto& group : pairing_.groups) {
      for (const auto light : group.lights) {
        lights.push_back(inventory_.frames[light].path);
        names.push_back(inventory_.frames[light].name);
      }
    }
    const auto& reference = names[given_->reference_among(lights)];
    if (!options_.reference.empty() && options_.reference != reference) {
      throw Error(
          ErrorKind::usage, given_->file().string(),
          fmt::format("has the reference {}, --reference says {}", reference, options_.reference),
          "leave --reference out, or register anew");
    }
    auto strangers = given_->strangers(lights);
    if (strangers.empty()) return;
    record_.warnings.push_back({"unknown-name",
                                fmt::format("{} of the files in {} are no lights of the session",
                                            strangers.size(), given_->file().string()),
                                std::move(strangers)});
  }

  // The reference of the owner's transforms, where they are of this object; else null.
  const SubState* give_transforms(const std::vector<std::size_t>& members) {
    std::vector<GroupState*> groups;
    for (const auto g : members) groups.push_back(&groups_[g]);
    return given_ && given_->concern(groups) ? &given_->hand_out(groups) : nullptr;
  }

  // A result needs a name: the folder's, where the headers have none.
  void name_unnamed_objects() {
    std::string folder =
        std::filesystem::absolute(options_.session).lexically_normal().filename().string();
    if (folder.empty()) {
      folder = std::filesystem::absolute(options_.session)
                   .lexically_normal()
                   .parent_path()
                   .filename()
                   .string();
    }
    // Several folders are nights of one target: a night that names it names it for all.
    std::set<std::string> named;
    for (const auto& frame : inventory_.frames) {
      if (frame.info.kind == FrameKind::light) named.insert(frame.info.object);
    }
    named.erase("");
    if (!options_.more_sessions.empty() && named.size() == 1) folder = *named.begin();
    for (auto& frame : inventory_.frames) {
      if (frame.info.object.empty()) frame.info.object = folder;
    }
  }

  // Counts everything that any later step will hold, so that too small an order
  // is refused before the first pixel is read.
  pipeline::MemoryPlan plan_measuring() {
    pipeline::MemoryDemand demand;
    demand.threads = options_.threads.resolved();
    demand.demosaic = options_.demosaic;
    for (const auto& group : pairing_.groups) {
      std::vector<LightCalibration> sets;
      for (const auto light : group.lights) {
        const auto& entry = inventory_.frames[light];
        if (entry.info.size.count() > demand.frame.count()) demand.frame = entry.info.size;
        if (entry.info.cfa != CfaPattern::none || entry.info.planes == 3) demand.planes = 3;
        demand.resident = std::max(demand.resident, entry.resident_bytes);
        const auto& plan = pairing_.lights[light];
        if (std::find(sets.begin(), sets.end(), plan) == sets.end()) sets.push_back(plan);
      }
      demand.subs = std::max(demand.subs, group.lights.size());
      demand.sets = std::max(demand.sets, sets.size());
    }
    demand.canvas = demand.frame;
    demand.resident += pipeline::kept_plane_bytes(demand.canvas);
    return pipeline::plan_memory(demand, options_.memory_bytes);
  }

  void measure_all(const pipeline::MemoryPlan& plan) {
    const StageClock clock(record_.timings, "measure");
    fits::make_folder(options_.out / "measure");
    for (const auto& lights : pairing_.groups) {
      GroupState group;
      group.object = lights.object;
      group.filter = lights.filter;
      for (const auto light : lights.lights) {
        const auto& entry = inventory_.frames[light];
        SubState sub;
        sub.name = entry.name;
        sub.local_name = entry.local_name;
        sub.path = entry.path;
        sub.info = &entry.info;
        sub.frame = light;
        sub.calibration = store_->calibration(light);
        sub.cache_key = store_->calibration_key(light);
        if (entry.info.cfa != CfaPattern::none || entry.info.planes == 3) group.planes = 3;
        group.subs.push_back(std::move(sub));
      }
      measure_group(group, options_, plan, record_, watch_);
      check_calibration(group, record_, watch_);
      groups_.push_back(std::move(group));
      forget_calibrations(groups_.back());
      keeper_.note(record_);
    }
  }

  // With several filters the planes of one are not needed while another is
  // measured; they are made again from the masters on disk.
  void forget_calibrations(GroupState& group) {
    if (pairing_.groups.size() < 2) return;
    for (auto& sub : group.subs) sub.calibration.reset();
    store_->release();
  }

  // Star lists of hundreds of subs are not small; only the reference's is needed again, for other
  // filters.
  static void forget_stars(GroupState& group, const SubState& reference) {
    for (auto& sub : group.subs) {
      if (&sub == &reference) continue;
      sub.measured.stars = StarList();
      sub.match.pairs = {};
    }
  }

  void fetch_calibrations(GroupState& group) {
    for (auto& sub : group.subs) {
      if (!sub.calibration) sub.calibration = store_->calibration(sub.frame);
    }
  }

  // All filters of one object lie on one grid.
  void make_results(const std::vector<std::size_t>& members) {
    std::vector<const SubState*> candidates;
    const auto* given = give_transforms(members);
    // The sub that must be the reference whatever its promise; "": free.
    const auto kept = given != nullptr ? given->name : kept_reference(members);
    for (const auto g : members) {
      for (const auto& sub : groups_[g].subs) {
        // A reference named by the owner sets the grid even when it is not to be combined.
        if (!owner_excludes(sub, options_.keep) || sub.name == options_.reference ||
            sub.name == kept) {
          candidates.push_back(&sub);
        }
      }
    }
    std::size_t chosen = 0;
    try {
      chosen = choose_reference(candidates, kept.empty() ? options_.reference : kept);
      static_cast<void>(candidates.at(chosen));
    } catch (const Error& error) {
      if (error.kind() == ErrorKind::usage) throw;
      for (const auto g : members) give_up(groups_[g], error.fault());
      return;
    } catch (const std::out_of_range&) {
      for (const auto g : members) give_up(groups_[g], "the owner's lists leave no sub");
      return;
    }
    const SubState* reference = register_members(members, candidates, chosen, kept.empty());
    std::vector<Footprint> footprints;
    for (const auto g : members) {
      const StageClock clock(record_.timings, "register");
      if (const auto* known = kept_grid_.find(groups_[g].object, groups_[g].filter)) {
        if (given == nullptr && !kept.empty()) groups_[g].kept_scale = known->scale;
      }
      judge_group(groups_[g], options_.keep, reference);
      describe_group(groups_[g], options_.threads);
      const auto own = kept_footprints(groups_[g]);
      footprints.insert(footprints.end(), own.begin(), own.end());
    }
    const Canvas canvas = choose_canvas(footprints, reference->measured.frame,
                                        canvas_options(options_, *reference->info));
    for (const auto g : members) {
      make_result(groups_[g], *reference, canvas);
      keeper_.note(record_);
    }
  }

  // Name of the sub that an earlier run took, when nights were added to it since; "": choose.
  std::string kept_reference(const std::vector<std::size_t>& members) {
    if (!options_.reference.empty() || !kept_grid_.kept) return "";
    const auto wanted = kept_grid_.reference_of(groups_[members.front()].object);
    if (wanted.empty()) return "";
    for (const auto g : members) {
      for (const auto& sub : groups_[g].subs) {
        if (sub.usable && sub_identity(sub) == wanted) return sub.name;
      }
    }
    record_.warnings.push_back(
        {"grid-changed",
         "the sub that gave grid and flux scale to the earlier results is no longer there: both "
         "are chosen anew",
         {}});
    return "";
  }

  // Onto the chosen sub; if `free`, again onto a better one, once the matches are known.
  const SubState* register_members(const std::vector<std::size_t>& members,
                                   const std::vector<const SubState*>& candidates,
                                   std::size_t chosen, bool free) {
    const StageClock clock(record_.timings, "register");
    const auto onto = [&](std::size_t reference) {
      for (const auto g : members) {
        register_group(groups_[g], *candidates[reference], options_.threads, watch_);
      }
    };
    const bool named = !free || !options_.reference.empty();
    return candidates[settle_reference(candidates, chosen, named, onto)];
  }

  void give_up(GroupState& group, const std::string& why) {
    for (auto& sub : group.subs) {
      if (sub.reason.empty()) sub.reason = why;
      sub.kept = false;
    }
    record_.results.push_back(result_row(group));
    record_subs(group, static_cast<int>(record_.results.size()) - 1, store_.get(), record_);
    record_.warnings.push_back(
        {"no-result", fmt::format("{} {}: no result, {}", group.object, group.filter, why), {}});
  }

  std::string unique_name(const GroupState& group) {
    std::string base = safe_file_name(group.object);
    if (!group.filter.empty()) base += "_" + safe_file_name(group.filter);
    std::string name = base;
    for (int k = 2; !names_.insert(name).second; ++k) name = fmt::format("{}_{}", base, k);
    return name;
  }

  void make_result(GroupState& group, const SubState& reference, const Canvas& canvas) {
    const bool any =
        std::any_of(group.subs.begin(), group.subs.end(), [](const SubState& s) { return s.kept; });
    if (!any) {
      give_up(group, "no sub could be kept");
      return;
    }
    fetch_calibrations(group);
    place_on_canvas(group, canvas);
    normalise_group(group, canvas.size, options_);
    const int result = static_cast<int>(record_.results.size());
    record_.results.push_back(result_row(group));
    record_subs(group, result, store_.get(), record_);
    CombineContext context{options_,
                           record_,
                           watch_,
                           unique_name(group),
                           &reference,
                           canvas,
                           calibration_sets(group),
                           false,
                           &inventory_};
    forget_stars(group, reference);
    combine_group(group, context, result);
    separate_group_lines(group, context, result);
    warn_about_undithered(group);
    note_grid(group, reference, result);
    forget_calibrations(group);
  }

  void note_grid(const GroupState& group, const SubState& reference, int result) {
    const KeptGrid::Result own{group.object, group.filter, sub_identity(reference),
                               sub_identity(group.subs[group.photometric_reference])};
    const auto* known = kept_grid_.find(group.object, group.filter);
    record_.results[static_cast<std::size_t>(result)].grid_kept =
        known != nullptr && known->reference == own.reference && known->scale == own.scale;
    grid_.results.push_back(own);
  }

  std::size_t calibration_sets(const GroupState& group) const {
    std::vector<std::size_t> lights;
    for (const auto& sub : group.subs) lights.push_back(sub.frame);
    return store_->sets_among(lights);
  }

  // Masters' noise and unknown defects add up where the sky never moves on the sensor.
  void warn_about_undithered(const GroupState& group) {
    double spread = 0.0;
    int kept = 0;
    for (const auto& sub : group.subs) {
      if (!sub.kept) continue;
      ++kept;
      const auto& m = sub.match.transform.matrix;
      spread = std::max({spread, std::fabs(m[2]), std::fabs(m[5])});
    }
    if (kept >= 3 && spread < 1.0) {
      record_.warnings.push_back(
          {"no-dither",
           fmt::format(
               "the sky hardly moved on the sensor ({:.1f} px): hot pixels and the masters' noise "
               "stay in the result; shift the pointing by 5 to 20 px between subs",
               spread),
           {}});
    }
  }

  void compose_colours(const std::map<std::string, std::vector<std::size_t>>& objects) {
    const StageClock clock(record_.timings, "colour");
    for (const auto& [object, members] : objects) {
      static_cast<void>(compose_colour(object, record_, options_.out));
    }
  }

  void finish() {
    const bool any = std::any_of(record_.results.begin(), record_.results.end(),
                                 [](const ResultRecord& r) { return !r.path.empty(); });
    record_.hints = find_hints(record_.subs);
    grid_.kept = std::any_of(record_.results.begin(), record_.results.end(),
                             [](const ResultRecord& r) { return r.grid_kept; });
    for (const auto& group : groups_) {
      for (const auto& sub : group.subs) grid_.subs.push_back(sub_identity(sub));
    }
    if (any) write_grid(options_.out, grid_);
    record_.state = "done";
    record_.peak_memory_bytes = peak_memory_bytes();
    fits::write_file_atomically(options_.out / "subs.csv", subs_csv(record_));
    fits::write_file_atomically(options_.out / "report.html", report_page(record_, options_.out));
    keeper_.save(record_);
    if (!any) {
      throw Error(ErrorKind::not_enough_data, options_.session.string(), "gave no result",
                  "see the reasons in session.json and report.html in " + options_.out.string());
    }
  }

  RunOptions options_;
  const Watch& watch_;
  RecordKeeper keeper_;
  SessionRecord record_;
  Inventory inventory_;
  Pairing pairing_;
  std::unique_ptr<CalibrationStore> store_;
  std::vector<GroupState> groups_;
  std::optional<GivenTransforms> given_;
  KeptGrid kept_grid_;  ///< of an earlier run
  KeptGrid grid_;       ///< of this run
  std::set<std::string> names_;
};

}  // namespace

SessionRecord run_session(const RunOptions& options, const Watch& watch) {
  if (const auto faults = options.faults(); !faults.empty()) {
    throw Error(ErrorKind::usage, "", fmt::format("{}", fmt::join(faults, "; ")), "see --help");
  }
  require_exists(options.session);
  for (const auto& folder : options.more_sessions) require_exists(folder);
  // Before hours of work, not after.
  if (!options.background_regions.empty()) check_regions(options.background_regions);
  if (!options.solving.catalogue.path.empty()) {
    static_cast<void>(read_catalogue(options.solving.catalogue, std::nullopt));
  }
  fits::make_folder(options.out);
  const fits::FolderLock lock(options.out);
  fits::remove_unfinished(options.out);
  if (!options.recipe_text.empty()) {
    fits::write_file_atomically(options.out / "recipe.toml", options.recipe_text);
  }
  Run run(options, watch);
  return run.go();
}

}  // namespace coldframe::session
