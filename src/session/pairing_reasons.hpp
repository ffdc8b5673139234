// Why a light is calibrated with what it is.
#pragma once

#include <string>
#include <vector>

#include "coldframe/session/pairing.hpp"

namespace coldframe::session {

/// In what a calibration frame of `kind` differs from the frame it should serve, in words
/// ("exposure 60 s against 120 s"); only what matters for that kind.
[[nodiscard]] std::vector<std::string> differences(const FrameInfo& calibration,
                                                   const FrameInfo& served, FrameKind kind,
                                                   const MatchTolerances& tolerances);

/// Fills `Pairing::choices`, and warns of library masters that are old.
void explain_choices(const Inventory& inventory, const MatchTolerances& tolerances,
                     Pairing& pairing);

/// The set of `kind` that differs in the fewest facts, as "LABEL: difference, difference"; empty
/// without sets of that kind.
[[nodiscard]] std::string nearest_miss(const Inventory& inventory,
                                       const std::vector<FrameSet>& sets, const FrameInfo& served,
                                       FrameKind kind, const MatchTolerances& tolerances);

}  // namespace coldframe::session
