#include "sensor/frame_choice.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

// Limits from common practice, no source.
constexpr double most_saturated = 0.01;  ///< share of pixels
constexpr double dim_flat_adu = 500.0;
constexpr double least_flat_snr = 5.0;  ///< level in units of one pixel's noise
constexpr double shape_noted = 0.01;    ///< relative change of a cell against the other flats
constexpr double shape_refused = 0.05;
constexpr double level_noted = 0.5;  ///< dark's level off by this many pixel noises
constexpr double level_refused = 20.0;

double frame_noise(const NoiseModel& noise, double signal) {
  return std::sqrt(std::max(noise.a + noise.b * std::max(signal, 0.0), 0.0));
}

/// Largest deviation of a frame's shape (cells over level) from the median of all frames.
std::vector<double> shape_changes(const std::vector<FrameLevel>& levels) {
  std::vector<double> result(levels.size(), 0.0);
  std::vector<double> column;
  for (std::size_t cell = 0; cell < FrameLevel{}.shape.size(); ++cell) {
    column.clear();
    for (const FrameLevel& frame : levels) {
      const double value = frame.shape[cell] / frame.level;
      if (std::isfinite(value)) column.push_back(value);
    }
    if (column.size() < 3) continue;
    const double usual = median_in_place(std::span<double>(column));
    if (!(usual > 0.05)) continue;  // a corner without light says nothing
    for (std::size_t i = 0; i < levels.size(); ++i) {
      const double change = std::abs(levels[i].shape[cell] / levels[i].level / usual - 1.0);
      if (std::isfinite(change)) result[i] = std::max(result[i], change);
    }
  }
  return result;
}

/// Verdict on one frame: text (empty = nothing to say) and whether it is left out.
struct Verdict {
  std::string note;
  bool refused = false;
};

Verdict judge_flat(const FrameLevel& frame, double shape_change, const NoiseModel& noise) {
  if (frame.saturated_share > most_saturated) {
    return {
        fmt::format("saturated in {:.1f}% of its pixels: left out", 100.0 * frame.saturated_share),
        true};
  }
  if (!(frame.level > 0.0) || frame.level < least_flat_snr * frame_noise(noise, frame.level)) {
    return {fmt::format("too dim for a flat (level {:.0f} ADU): left out", frame.level), true};
  }
  if (shape_change > shape_refused) {
    return {fmt::format("shape differs from the other flats by {:.1f}%: left out",
                        100.0 * shape_change),
            true};
  }
  if (shape_change > shape_noted) {
    return {fmt::format("shape differs from the other flats by {:.1f}%", 100.0 * shape_change),
            false};
  }
  if (frame.level < dim_flat_adu) {
    return {
        fmt::format("dim flat (level {:.0f} ADU): its noise goes into every light", frame.level),
        false};
  }
  return {};
}

Verdict judge_dark(const FrameLevel& frame, double usual, double noise_adu) {
  const double change = frame.level - usual;
  if (!std::isfinite(frame.level)) return {"has no usable pixel: left out", true};
  if (!(noise_adu > 0.0)) return {};
  if (std::abs(change) > level_refused * noise_adu) {
    return {fmt::format("level differs by {:+.1f} ADU from the others: left out", change), true};
  }
  if (std::abs(change) > level_noted * noise_adu) {
    return {fmt::format("level differs by {:+.1f} ADU from the others (light leak, temperature?)",
                        change),
            false};
  }
  return {};
}

std::vector<Verdict> judge(const FrameSamples& samples, MasterKind kind, const NoiseModel& noise) {
  std::vector<Verdict> verdicts;
  std::vector<double> levels;
  for (const FrameLevel& frame : samples.levels) {
    if (std::isfinite(frame.level)) levels.push_back(frame.level);
  }
  const double usual = levels.empty() ? 0.0 : median_in_place(std::span<double>(levels));
  const auto changes = shape_changes(samples.levels);
  // Of one or two frames nobody can tell which one is the odd one.
  const bool can_compare = samples.levels.size() >= 3;
  for (std::size_t i = 0; i < samples.levels.size(); ++i) {
    const FrameLevel& frame = samples.levels[i];
    verdicts.push_back(
        kind == MasterKind::flat
            ? judge_flat(frame, can_compare ? changes[i] : 0.0, noise)
            : judge_dark(frame, can_compare ? usual : frame.level, frame_noise(noise, 0.0)));
  }
  return verdicts;
}

}  // namespace

FrameChoice choose_frames(const FrameSamples& samples, MasterKind kind, const NoiseModel& noise) {
  FrameChoice choice;
  const auto verdicts = judge(samples, kind, noise);
  for (std::size_t i = 0; i < verdicts.size(); ++i) {
    (verdicts[i].refused ? choice.left_out : choice.used).push_back(static_cast<int>(i));
    if (!verdicts[i].note.empty()) {
      choice.notes.push_back(fmt::format("frame {}: {}", i + 1, verdicts[i].note));
    }
  }
  return choice;
}

}  // namespace coldframe::sensor
