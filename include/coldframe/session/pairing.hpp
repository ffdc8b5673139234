/// \file
/// Which calibration frames belong together and which lights they serve.
///
/// Rules (design section 3): a dark must match camera, read-out mode, gain, offset, binning,
/// exposure, temperature; a flat must match optics (filter, rotator angle, night or later), not
/// gain. What a header does not tell cannot contradict. Where no dark matches, the rate of another
/// is scaled in exposure, and in temperature when darks of several temperatures show how it
/// doubles; never silently, and not where amplifier glow shows, which does not grow like dark
/// current.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "coldframe/sensor/ladders.hpp"
#include "coldframe/session/inventory.hpp"

namespace coldframe::session {

/// Frames that make one master.
struct FrameSet {
  FrameKind kind = FrameKind::dark;
  std::vector<std::size_t> frames;  ///< indices into the inventory
  std::string label;                ///< "dark_120s_-10C", also the file name
  /// Flats: the set to subtract (dark of the same exposure, else bias); unset: none.
  std::optional<std::size_t> subtract;
  bool from_library = false;  ///< one ready master instead of raw frames
};

/// What one light is calibrated with (indices into `sets`).
struct LightCalibration {
  std::optional<std::size_t> dark;
  std::optional<std::size_t> bias;  ///< alone, or with `dark` when its rate is scaled
  double dark_scale = 1.0;
  double dark_scale_error = 0.0;  ///< relative, of what temperature does to the rate
  std::optional<std::size_t> flat;
  friend bool operator==(const LightCalibration&, const LightCalibration&) = default;
};

struct LightGroup {
  std::string object;
  std::string filter;
  std::vector<std::size_t> lights;  ///< indices into the inventory, by time
};

/// Why lights are calibrated with a set.
struct CalibrationChoice {
  FrameKind kind = FrameKind::dark;
  std::size_t set = 0;
  std::size_t lights = 0;  ///< how many it serves for this reason
  std::string why;
  std::vector<std::string> others;  ///< the other sets of that kind and what they differ in
  std::optional<double> age_days;   ///< from the set's first frame to the first such light
};

struct Pairing {
  std::vector<FrameSet> sets;
  std::vector<LightCalibration> lights;  ///< one per inventory frame (meaningful for lights)
  std::vector<LightGroup> groups;        ///< one per result
  std::vector<CalibrationChoice> choices;
  std::vector<Warning> warnings;
};

/// What the pixels of dark sets tell about scaling them (see `pair_with_pixels`). One entry per set
/// of the pairing that was looked at, or empty: nothing is known.
struct DarkKnowledge {
  std::vector<std::optional<sensor::Doubling>> doubling;  ///< of the dark current of such frames
  std::vector<std::string> refused;                       ///< why a set must not be scaled, or ""
};

/// From headers and what is known of the darks. The sets and their order depend on the headers
/// only.
[[nodiscard]] Pairing pair_frames(const Inventory& inventory, const MatchTolerances& tolerances,
                                  const DarkKnowledge& darks = {});

/// The same; where lights lack a dark of their own exposure and temperature, the pixels of the
/// darks at hand are asked how they scale, and whether they may be.
[[nodiscard]] Pairing pair_with_pixels(const Inventory& inventory,
                                       const MatchTolerances& tolerances, Threads threads,
                                       const Watch& watch);

}  // namespace coldframe::session
