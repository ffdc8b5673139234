#include "aligned_files.hpp"

#include <algorithm>
#include <atomic>

#include "coldframe/core/error.hpp"
#include "coldframe/pipeline/sky_pass.hpp"
#include "decide.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t few_subs = 4;  // as for whole sessions: particles are looked for in each

bool limits_stars(const KeepLimits& limits) {
  return limits.max_fwhm_px || limits.max_ellipticity || limits.min_transparency ||
         limits.min_stars || limits.min_contribution;
}

double exposure_of(const SubState& sub) { return sub.info->exposure_s.value_or(1.0); }

}  // namespace

bool sky_is_enough(const GroupState& group, const RunOptions& options) {
  const bool mosaic = std::any_of(group.subs.begin(), group.subs.end(), [](const SubState& sub) {
    return sub.info->cfa != CfaPattern::none;
  });
  const bool particles =
      options.particles == ParticleSearch::always ||
      (options.particles == ParticleSearch::automatic && group.subs.size() <= few_subs);
  return !mosaic && !particles && !limits_stars(options.keep) &&
         options.weighting != stack::Weighting::point_source;
}

void measure_skies(GroupState& group, const pipeline::MemoryPlan& plan, SessionRecord& record,
                   const Watch& watch) {
  std::atomic<std::size_t> done{0};
  parallel_for(Threads{plan.measure_workers}, group.subs.size(), [&](std::size_t i) {
    auto& sub = group.subs[i];
    watch.check();
    try {
      const auto file = open_raw_frame(sub.path, *sub.info);
      sub.measured = pipeline::measure_quick_sky(*file, *sub.calibration, {}, Threads{1});
      sub.line_unit = static_cast<double>(sub.calibration->constant_multiply);
      sub.usable = sub.measured.quality.status != stars::QualityStatus::no_sky;
      if (!sub.usable) sub.reason = "no sky could be measured: not enough usable pixels";
    } catch (const Error& error) {
      if (error.kind() != ErrorKind::input) throw;
      sub.reason = error.fault();
      sub.mend = error.mend();
      sub.usable = false;
    }
    watch.report("measure", done.fetch_add(1) + 1, group.subs.size());
  });
  for (const auto& sub : group.subs) {
    if (!sub.usable) record.left_out.push_back({sub.name, sub.reason, sub.mend});
  }
  record.measured += static_cast<int>(group.subs.size());
}

std::size_t take_all(GroupState& group, const RunOptions& options) {
  std::size_t reference = group.subs.size();
  for (std::size_t i = 0; i < group.subs.size(); ++i) {
    auto& sub = group.subs[i];
    sub.kept = sub.usable && !owner_excludes(sub, options.keep);
    if (sub.usable && !sub.kept) {
      sub.reason = "dropped by the owner";
      sub.decision.rule = "owner";
    }
    sub.decision.kept = sub.kept;
    sub.decision.words = sub.reason;
    const bool wanted = options.reference.empty() ? sub.kept : sub.name == options.reference;
    if (sub.usable && wanted && reference == group.subs.size()) reference = i;
  }
  if (reference == group.subs.size()) {
    throw options.reference.empty()
        ? Error(ErrorKind::not_enough_data, "", "none of the files could be used",
                "check the files")
        : Error(ErrorKind::usage, options.reference, "is not among the usable files",
                "name another reference");
  }
  group.photometric_reference = reference;
  for (auto& sub : group.subs) {
    sub.scale.scale = exposure_of(group.subs[reference]) / std::max(exposure_of(sub), 1e-6);
  }
  return reference;
}

}  // namespace coldframe::session
