// Bias and dark sets among themselves.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <span>
#include <string>

#include "calibration_checks.hpp"
#include "check_parts.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/sensor/mean_variance.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr int window = 512;

struct SetLook {
  double level = 0.0;
  double noise = 0.0;  ///< of one frame; 0: one frame only
  double zeros = 0.0;
};

SetLook look_at_set(const Inventory& inventory, const FrameSet& set) {
  SetLook look;
  std::vector<std::unique_ptr<PixelSource>> raw;
  for (const auto frame : set.frames) {
    if (raw.size() == 2) break;
    const auto& entry = inventory.frames[frame];
    raw.push_back(open_raw_frame(entry.path, entry.info));
  }
  const Size size = raw.front()->size();
  const int x0 = std::max((size.width - window) / 4 * 2, 0);
  const int y0 = std::max((size.height - window) / 4 * 2, 0);
  const Rect part = Rect{x0, y0, x0 + window, y0 + window}.intersect(whole(size));
  Grid<float> pixels(part.size());
  raw.front()->fill(0, part, pixels.view());
  std::vector<float> values;
  for (int y = 0; y < pixels.height(); ++y) {
    for (const float v : pixels.cview().row(y)) {
      look.zeros += v <= 0.0F ? 1.0 : 0.0;
      if (std::isfinite(v)) values.push_back(v);
    }
  }
  if (values.empty()) return look;
  look.zeros /= static_cast<double>(values.size());
  if (raw.size() == 2) {
    const auto pair =
        sensor::measure_pair(*raw[0], *raw[1], part, CfaPattern::none, {}, Threads{1}, {});
    const auto noise = sensor::dark_noise({&pair, 1});
    if (!noise.empty()) look.noise = std::sqrt(std::max(noise.front().variance_adu2, 0.0));
  }
  look.level = static_cast<double>(median_in_place(std::span<float>(values)));
  return look;
}

bool one_read_out(const FrameInfo& a, const FrameInfo& b) {
  return a.camera == b.camera && a.read_out == b.read_out && a.gain_setting == b.gain_setting &&
         a.offset_setting == b.offset_setting && a.size == b.size && a.binning_x == b.binning_x;
}

void compare_sets(const std::string& bias_name, const SetLook& bias, const std::string& dark_name,
                  const SetLook& dark, SessionRecord& record) {
  if (!(bias.noise > 0.0)) return;
  if (dark.level < bias.level - std::max(2.0, 0.5 * bias.noise)) {
    warn(record, "offset-mismatch",
         fmt::format("{} lies {:.3g} ADU below {}: their offsets differ though the headers agree; "
                     "take both with one setting",
                     dark_name, bias.level - dark.level, bias_name));
  } else if (dark.noise > 0.0 && dark.noise < 0.8 * bias.noise) {
    warn(record, "gain-mismatch",
         fmt::format("{} is calmer ({:.3g} ADU) than {} ({:.3g} ADU), which no dark of the same "
                     "gain can be; take both with one setting",
                     dark_name, dark.noise, bias_name, bias.noise));
  }
}

}  // namespace

void check_dark_frames(const Inventory& inventory, const Pairing& pairing, SessionRecord& record) {
  std::vector<std::pair<const FrameSet*, SetLook>> looks;
  std::string clipped;
  double worst = 0.0;
  for (const auto& set : pairing.sets) {
    if (set.kind == FrameKind::flat || set.frames.empty()) continue;
    try {
      looks.emplace_back(&set, look_at_set(inventory, set));
    } catch (const Error&) {
      continue;  // named where it is used
    }
    const auto& [known, look] = looks.back();
    if (look.zeros <= most_zeros) continue;
    clipped += (clipped.empty() ? "" : ", ") + known->label;
    worst = std::max(worst, look.zeros);
  }
  if (!clipped.empty()) {
    warn(record, "pedestal-clipped",
         fmt::format("{}: {:.2g}% of the pixels are at zero: the dark end is cut off and its mean "
                     "is wrong; raise the camera's offset",
                     clipped, 100.0 * worst));
  }
  for (const auto& [bias, bias_look] : looks) {
    if (bias->kind != FrameKind::bias) continue;
    for (const auto& [dark, dark_look] : looks) {
      if (dark->kind == FrameKind::bias) continue;
      if (!one_read_out(inventory.frames[bias->frames.front()].info,
                        inventory.frames[dark->frames.front()].info)) {
        continue;
      }
      compare_sets(bias->label, bias_look, dark->label, dark_look, record);
    }
  }
}

}  // namespace coldframe::session
