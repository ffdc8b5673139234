#include <fmt/format.h>

#include <algorithm>
#include <atomic>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/image_file.hpp"
#include "decide.hpp"
#include "digest.hpp"
#include "group_work.hpp"
#include "measure_cache.hpp"
#include "raw_frame.hpp"
#include "stage_clock.hpp"

namespace coldframe::session {
namespace {

constexpr int enough_stars = 15;
constexpr double faint_sigma = 3.5;  // second look when hardly anything stands out
constexpr int most_stars = 1500;     // enough to match and to judge, bounds the memory of many subs

// Two samples that differ do not tell which is spoilt, and of three or four one may be masked
// elsewhere; from five on the rejection rules find particles better than any single frame shows
// them.
constexpr std::ptrdiff_t few_subs = 4;

bool wants_particles(const GroupState& group, const RunOptions& options) {
  if (options.particles != ParticleSearch::automatic) {
    return options.particles == ParticleSearch::always;
  }
  const auto wanted = std::count_if(group.subs.begin(), group.subs.end(), [&](const SubState& sub) {
    return !owner_excludes(sub, options.keep);
  });
  return wanted <= few_subs;
}

pipeline::SubMeasurement measure_file(const SubState& sub, const RunOptions& options,
                                      bool find_particles, Threads threads) {
  const auto file = open_raw_frame(sub.path, *sub.info);
  pipeline::MeasureSettings settings;
  settings.stars.threshold_sigma = options.detection_sigma;
  settings.stars.max_stars = most_stars;
  settings.find_particles = find_particles;
  auto measured = pipeline::measure_sub(*file, *sub.calibration, settings, threads);
  if (measured.quality.stars < enough_stars && options.detection_sigma > faint_sigma) {
    settings.stars.threshold_sigma = faint_sigma;
    auto deeper = pipeline::measure_sub(*file, *sub.calibration, settings, threads);
    if (deeper.quality.stars > measured.quality.stars) measured = std::move(deeper);
  }
  return measured;
}

std::string measure_key(const SubState& sub, const RunOptions& options, bool find_particles) {
  return digest(fmt::format("{} {} {} {} {} {} {} {}", version(), sub.stamp,
                            fits::content_key(sub.path), sub.cache_key, options.detection_sigma,
                            sub.calibration->gain_e_per_adu, most_stars, find_particles));
}

// A first night of few subs was looked through for particles; with more nights that is not needed.
std::optional<pipeline::SubMeasurement> without_particles(const SubState& sub,
                                                          const RunOptions& options,
                                                          std::string& key) {
  const auto other = measure_key(sub, options, true);
  auto known = read_measurement(sub.cache_file, other);
  if (!known) return known;
  key = other;
  known->particles.clear();
  known->searched_particles = false;
  return known;
}

}  // namespace

void measure_group(GroupState& group, const RunOptions& options, const pipeline::MemoryPlan& plan,
                   SessionRecord& record, const Watch& watch) {
  std::atomic<std::size_t> done{0};
  std::atomic<int> measured{0};
  std::atomic<int> reused{0};
  const bool cached = !options.out.empty();
  const bool particles = wants_particles(group, options);
  parallel_for(Threads{plan.measure_workers}, group.subs.size(), [&](std::size_t i) {
    auto& sub = group.subs[i];
    watch.check();
    try {
      std::string key;
      std::optional<pipeline::SubMeasurement> known;
      sub.stamp = fits::stat_key(sub.path);
      if (cached) {
        key = measure_key(sub, options, particles);
        // Not by the name in the session: that changes when folders are added.
        sub.cache_file = options.out / "measure" /
                         (safe_file_name(sub.path.stem().string()) + "-" +
                          digest(sub.local_name + " " + fits::content_key(sub.path)) + ".fits");
        known = read_measurement(sub.cache_file, key);
        if (!known && !particles) known = without_particles(sub, options, key);
      }
      if (known) {
        ++reused;
      } else {
        known = measure_file(sub, options, particles, options.threads);
        if (cached) write_measurement(sub.cache_file, key, *known);
        ++measured;
      }
      sub.cache_key = key;
      sub.measured = std::move(*known);
      // Previews stay on disk: hundreds of them would fill the memory.
      if (cached) sub.measured.preview = Grid<float>();
      if (cached) sub.measured.preview_mask = Mask();
      sub.line_unit = static_cast<double>(sub.calibration->constant_multiply);
      sub.usable = true;
    } catch (const Error& error) {
      if (error.kind() == ErrorKind::interrupted || error.kind() == ErrorKind::io) throw;
      sub.usable = false;
      sub.reason = error.fault();
      sub.mend = error.mend();
    }
    watch.report("measure", done.fetch_add(1) + 1, group.subs.size());
  });
  for (const auto& sub : group.subs) {
    if (!sub.usable) record.left_out.push_back({sub.name, sub.reason, sub.mend});
  }
  record.measured += measured.load();
  record.reused += reused.load();
}

}  // namespace coldframe::session
