// When two frames belong together, from their headers alone. What a header does not tell cannot
// contradict.
#pragma once

#include <optional>
#include <string>

#include "coldframe/session/pairing.hpp"

namespace coldframe::session {

/// Size, binning and camera: without these nothing can be subtracted at all.
[[nodiscard]] bool same_sensor(const FrameInfo& a, const FrameInfo& b);
/// The same, with read-out mode, gain and offset.
[[nodiscard]] bool same_read_out(const FrameInfo& a, const FrameInfo& b);
[[nodiscard]] bool same_exposure(const FrameInfo& a, const FrameInfo& b,
                                 const MatchTolerances& tolerances);
[[nodiscard]] bool same_temperature(const FrameInfo& a, const FrameInfo& b,
                                    const MatchTolerances& tolerances);
/// Angles of a rotator: 359 and 1 are two degrees apart.
[[nodiscard]] bool same_angle(const std::optional<double>& a, const std::optional<double>& b,
                              double tolerance);
/// Sensor, telescope, focal length, rotator.
[[nodiscard]] bool same_telescope(const FrameInfo& a, const FrameInfo& b,
                                  const MatchTolerances& tolerances);
/// The same, with the filter.
[[nodiscard]] bool same_optics(const FrameInfo& a, const FrameInfo& b,
                               const MatchTolerances& tolerances);
/// Whether two frames of one kind go into one master.
[[nodiscard]] bool belongs(const FrameInfo& a, const FrameInfo& b, FrameKind kind,
                           const MatchTolerances& tolerances);

/// "dark_120s_-10C": also a file name.
[[nodiscard]] std::string label_of(FrameKind kind, const FrameInfo& info);
/// At most three decimals, no zeros behind.
[[nodiscard]] std::string plain_number(double value);

}  // namespace coldframe::session
