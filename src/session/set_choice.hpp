// Which set of calibration frames serves a frame best.
#pragma once

#include <limits>
#include <optional>
#include <string>

#include "coldframe/session/pairing.hpp"

namespace coldframe::session {

/// A dark whose rate is brought to a frame's exposure and temperature.
struct ScaledDark {
  std::size_t set = 0;
  double exposure_factor = 1.0;
  double temperature_factor = 1.0;
  double temperature_error = 0.0;  ///< relative

  [[nodiscard]] double factor() const noexcept { return exposure_factor * temperature_factor; }
};

class SetChoice {
 public:
  /// Scaling up multiplies the dark's noise.
  static constexpr double most_scale = 2.0;

  SetChoice(const Inventory& inventory, const std::vector<FrameSet>& sets,
            const MatchTolerances& tolerances, const DarkKnowledge& darks)
      : inventory_(inventory), sets_(sets), tolerances_(tolerances), darks_(darks) {}

  /// Sets of this folder of the session (and the library's) come first; the others' only where it
  /// has none that fits.
  void serve(std::size_t folder) noexcept { folder_ = folder; }

  [[nodiscard]] const FrameInfo& set_info(std::size_t set) const {
    return inventory_.frames[sets_[set].frames.front()].info;
  }

  /// `stretch`: factor on the tolerance in temperature.
  [[nodiscard]] std::optional<std::size_t> matched_dark(const FrameInfo& frame,
                                                        double stretch = 1.0) const;
  [[nodiscard]] std::optional<std::size_t> matched_bias(const FrameInfo& frame) const;
  /// A dark short against the frame it serves, in place of a bias.
  [[nodiscard]] std::optional<std::size_t> bias_like_dark(const FrameInfo& frame) const;
  /// A dark whose rate can be scaled once the bias is out. `zero_s`: exposure of what stands in
  /// for the bias.
  [[nodiscard]] std::optional<ScaledDark> scalable_dark(const FrameInfo& frame,
                                                        double zero_s = 0.0) const;
  /// Why the pixels forbid to scale a dark that would otherwise do; "": none is forbidden.
  [[nodiscard]] std::string refusal(const FrameInfo& frame) const;
  /// How `set`'s rate would have to be scaled; unset: exposure or temperature do not allow it, or
  /// the factor is above `most`.
  [[nodiscard]] std::optional<ScaledDark> scaling(std::size_t set, const FrameInfo& frame,
                                                  double zero_s = 0.0,
                                                  double most = most_scale) const;

  [[nodiscard]] std::optional<std::size_t> flat(const FrameInfo& light) const;
  /// When light or flats do not name their filter: what a header does not tell cannot contradict,
  /// unless flats of several filters leave a choice.
  [[nodiscard]] std::optional<std::size_t> flat_of_unknown_filter(const FrameInfo& light) const;

 private:
  /// The set of `kind` that fits best by `score` (smaller is better; infinite = no).
  template <typename Score>
  [[nodiscard]] std::optional<std::size_t> best_set(FrameKind kind, const Score& score) const {
    std::optional<std::size_t> best;
    for (const bool own : {true, false}) {
      double best_score = std::numeric_limits<double>::infinity();
      for (std::size_t s = 0; s < sets_.size(); ++s) {
        if (sets_[s].kind != kind || at_hand(s) != own) continue;
        const double value = score(s);
        if (value < best_score) {
          best_score = value;
          best = s;
        }
      }
      if (best) return best;
    }
    return best;
  }
  [[nodiscard]] bool at_hand(std::size_t set) const {
    return sets_[set].from_library ||
           inventory_.frames[sets_[set].frames.front()].folder == folder_;
  }
  template <typename Fits>
  [[nodiscard]] std::optional<std::size_t> nearest_flat(const FrameInfo& light,
                                                        const Fits& fits) const;
  [[nodiscard]] double frames_bonus(std::size_t set) const;

  const Inventory& inventory_;
  const std::vector<FrameSet>& sets_;
  const MatchTolerances& tolerances_;
  const DarkKnowledge& darks_;
  std::size_t folder_ = 0;
};

}  // namespace coldframe::session
