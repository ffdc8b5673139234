// What the checks of masters against lights have in common.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "coldframe/session/record.hpp"
#include "group_state.hpp"

namespace coldframe::session {

inline constexpr double most_zeros = 5e-4;  ///< share of pixels at zero that clipping is told of

inline void warn(SessionRecord& record, const char* code, std::string message) {
  record.warnings.push_back({code, std::move(message), {}});
}

[[nodiscard]] inline std::string name_of(const GroupState& group) {
  return group.filter.empty() ? group.object : group.object + " " + group.filter;
}

/// Subs that share one calibration, spread over the group.
[[nodiscard]] std::vector<const SubState*> spread(const GroupState& group,
                                                  const pipeline::Calibration* which,
                                                  std::size_t most);

/// Dust that is not where the flats saw it: one warning. `over`: share by which the flat
/// over-corrects everything, told already.
void check_dust(const GroupState& group, const pipeline::Calibration& how, double over,
                SessionRecord& record);

/// Kept subs whose dithers are too small to average the masters' noise: one warning when that
/// noise is a large part of the result's. The subs' places on the canvas must be known.
void check_shared_noise(const GroupState& group, SessionRecord& record);

}  // namespace coldframe::session
