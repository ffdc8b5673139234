/// \file
/// What limited a result, how much each cause cost, and what would gain most the next night. All of
/// it is drawn from the session's own figures: the patterns of its hints, the calibration checks,
/// the shares of the noise and the measured growth of depth with the number of subs.
///
/// Signal to noise is that of a star against the sky, which goes as 1 / (width x noise); for flats
/// and missing dithers that of a faint surface. A gain of g magnitudes is a factor 10^(0.4 g).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "coldframe/session/record.hpp"

namespace coldframe::session {

struct NightLimit {
  /// A hint's code, or "flats", "no-flat", "trails", "left-out"; not faults: "sky", "read-noise",
  /// "seeing", "few-subs", "common-noise".
  std::string code;
  bool fault = false;  ///< something went wrong, as opposed to what sky, camera and time set
  std::string message;
  std::optional<double> snr_loss;      ///< share of the signal to noise that it cost
  std::optional<double> width_arcsec;  ///< by how much it widened the stars
  std::optional<double> width_px;
};

struct NightAction {
  std::string code;  ///< of the limit that it lifts
  std::string text;
  double gain_mag = 0.0;  ///< of the limiting magnitude
};

struct NextNight {
  std::vector<NightLimit> limits;    ///< faults first, costliest first
  std::vector<NightAction> actions;  ///< three at most, the largest gain first
};

/// Of one result of a finished record.
[[nodiscard]] NextNight next_night(const SessionRecord& record, int result);

/// "what limited it" and "next night" lines for people; empty when nothing is known.
[[nodiscard]] std::vector<std::string> next_night_lines(const NextNight& night);

}  // namespace coldframe::session
