/// \file
/// Which calibration frames belong together and which lights they serve.
///
/// Rules (design section 3): a dark must match camera, read-out mode, gain, offset, binning,
/// exposure, temperature; a flat must match optics (filter, rotator angle, night or later), not
/// gain. What a header does not tell cannot contradict.
#pragma once

#include <optional>
#include <string>
#include <vector>

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

[[nodiscard]] Pairing pair_frames(const Inventory& inventory, const MatchTolerances& tolerances);

}  // namespace coldframe::session
