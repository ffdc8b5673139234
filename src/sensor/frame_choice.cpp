#include "sensor/frame_choice.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "sensor/flat_curve.hpp"

namespace coldframe::sensor {
namespace {

// Limits from common practice, no source.
constexpr double most_saturated = 0.01;  ///< share of pixels
constexpr double least_flat_snr = 5.0;   ///< level in units of one pixel's noise
constexpr double dim_flat_snr = 22.0;    ///< of some 500 electrons
constexpr double shape_noted = 0.01;     ///< relative change of a cell against the other flats
constexpr double shape_refused = 0.05;
constexpr double level_noted = 0.5;  ///< dark's level off by this many pixel noises
constexpr double level_refused = 20.0;

double frame_noise(const NoiseModel& noise, double signal) {
  return std::sqrt(std::max(noise.a + noise.b * std::max(signal, 0.0), 0.0));
}

/// Largest deviation of a frame's shape (cells over level) from the median of all frames. What
/// `curve` explains does not count.
std::vector<double> shape_changes(const std::vector<FrameLevel>& levels, const FlatCurve& curve) {
  std::vector<double> result(levels.size(), 0.0);
  std::vector<double> column;
  for (std::size_t cell = 0; cell < FrameLevel{}.shape.size(); ++cell) {
    const auto value = [&](std::size_t i) {
      return levels[i].shape[cell] / levels[i].level / curve.factor(levels[i].level, cell);
    };
    column.clear();
    for (std::size_t i = 0; i < levels.size(); ++i) {
      if (std::isfinite(value(i))) column.push_back(value(i));
    }
    if (column.size() < 3) continue;
    const double usual = median_in_place(std::span<double>(column));
    if (!(usual > 0.05)) continue;  // a corner without light says nothing
    for (std::size_t i = 0; i < levels.size(); ++i) {
      const double change = std::abs(value(i) / usual - 1.0);
      if (std::isfinite(change)) result[i] = std::max(result[i], change);
    }
  }
  return result;
}

/// Verdict on one frame: text (empty = nothing to say) and whether it is left out. Verdicts of one
/// code and fate share a note; `amount` tells the worst.
struct Verdict {
  std::string code;
  std::string note;
  double amount = 0.0;
  bool refused = false;
};

Verdict judge_flat(const FrameLevel& frame, double shape_change, const NoiseModel& noise) {
  const double share = frame.saturated_share;
  if (share > most_saturated) {
    return {"flat-saturated",
            fmt::format("saturated in {:.1f}% of its pixels: left out", 100.0 * share), share,
            true};
  }
  if (!(frame.level > 0.0) || frame.level < least_flat_snr * frame_noise(noise, frame.level)) {
    return {"flat-dim", fmt::format("too dim for a flat (level {:.4g} ADU): left out", frame.level),
            -frame.level, true};
  }
  if (shape_change > shape_noted) {
    const bool refused = shape_change > shape_refused;
    return {"flat-shape",
            fmt::format("shape differs from the other flats by {:.1f}%{}", 100.0 * shape_change,
                        refused ? ": left out" : ""),
            shape_change, refused};
  }
  if (frame.level < dim_flat_snr * frame_noise(noise, frame.level)) {
    return {
        "flat-dim",
        fmt::format("dim flat (level {:.4g} ADU): its noise goes into every light", frame.level),
        -frame.level, false};
  }
  return {};
}

Verdict judge_dark(const FrameLevel& frame, double usual, double noise_adu) {
  const double change = frame.level - usual;
  if (!std::isfinite(frame.level))
    return {"dark-level", "has no usable pixel: left out", 1e9, true};
  if (!(noise_adu > 0.0) || !(std::abs(change) > level_noted * noise_adu)) return {};
  const bool refused = std::abs(change) > level_refused * noise_adu;
  return {"dark-level",
          fmt::format("level differs by {:+.1f} ADU from the others{}", change,
                      refused ? ": left out" : " (light leak, temperature?)"),
          std::abs(change), refused};
}

std::vector<Verdict> judge(const FrameSamples& samples, MasterKind kind, const NoiseModel& noise,
                           const FlatCurve& curve) {
  std::vector<Verdict> verdicts;
  std::vector<double> levels;
  for (const FrameLevel& frame : samples.levels) {
    if (std::isfinite(frame.level)) levels.push_back(frame.level);
  }
  const double usual = levels.empty() ? 0.0 : median_in_place(std::span<double>(levels));
  const auto changes = shape_changes(samples.levels, curve);
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

/// One line for all frames of one fault and fate.
std::vector<MasterNote> notes_of(const std::vector<Verdict>& verdicts) {
  std::vector<MasterNote> notes;
  std::vector<bool> told(verdicts.size(), false);
  for (std::size_t i = 0; i < verdicts.size(); ++i) {
    if (verdicts[i].note.empty() || told[i]) continue;
    std::string frames;
    std::size_t worst = i;
    int count = 0;
    for (std::size_t j = i; j < verdicts.size(); ++j) {
      const auto& other = verdicts[j];
      if (other.code != verdicts[i].code || other.refused != verdicts[i].refused) continue;
      told[j] = true;
      frames += fmt::format("{}{}", count > 0 ? ", " : "", j + 1);
      ++count;
      if (other.amount > verdicts[worst].amount) worst = j;
    }
    notes.push_back({verdicts[i].code, count == 1
                                           ? fmt::format("frame {}: {}", i + 1, verdicts[i].note)
                                           : fmt::format("frames {}: worst (frame {}) {}", frames,
                                                         worst + 1, verdicts[worst].note)});
  }
  return notes;
}

}  // namespace

FrameChoice choose_frames(const FrameSamples& samples, MasterKind kind, const NoiseModel& noise,
                          double saturation_adu) {
  FrameChoice choice;
  const FlatCurve curve =
      kind == MasterKind::flat ? flat_curve(samples, saturation_adu) : FlatCurve{};
  const auto verdicts = judge(samples, kind, noise, curve);
  for (std::size_t i = 0; i < verdicts.size(); ++i) {
    (verdicts[i].refused ? choice.left_out : choice.used).push_back(static_cast<int>(i));
  }
  choice.notes = notes_of(verdicts);
  if (curve.bent) choice.notes.push_back({"flat-nonlinear", curve.text});
  return choice;
}

}  // namespace coldframe::sensor
