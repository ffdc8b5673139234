// What the patterns in a session's figures mean, in plain words with the evidence.
#pragma once

#include <span>
#include <vector>

#include "coldframe/session/record.hpp"

namespace coldframe::session {

/// Hints from the rows of subs (all results of a session; looked at result by result), costliest
/// first, each code once. A pattern must be both certain (5 standard errors, or a rank correlation
/// that chance gives less than once in a thousand) and large enough to matter; a clean session
/// gives none. Needs 3 subs for what each sub shows by itself, 8 for trends. Codes: focus-drift,
/// tracking, wind, jumps, out-of-focus, tilt, curvature, astigmatism, thin-cloud, dew, gradient,
/// sky-brightening, daylight, no-dither, field-rotation, drift.
[[nodiscard]] std::vector<HintRecord> find_hints(std::span<const SubRecord> rows);

}  // namespace coldframe::session
