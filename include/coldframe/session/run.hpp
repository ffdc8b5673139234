/// \file
/// The whole job on a folder of raw FITS.
#pragma once

#include "coldframe/core/interrupt.hpp"
#include "coldframe/session/options.hpp"
#include "coldframe/session/record.hpp"

namespace coldframe::session {

/// Calibrates, measures, registers and combines SESSION into OUT and leaves
/// what design section 6 lists. Inputs are never modified. Can be stopped at any
/// moment and started again. Throws coldframe::Error; problems of single files go to the record.
[[nodiscard]] SessionRecord run_session(const RunOptions& options, const Watch& watch);

}  // namespace coldframe::session
