// The result once more with the smooth light of the sky taken out.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "coldframe/core/parallel.hpp"
#include "coldframe/session/background.hpp"
#include "coldframe/sky/gradient.hpp"

namespace coldframe::session {

struct FlatSkyOutcome {
  bool written = false;
  std::string note;  ///< why nothing, or only the level, was removed
  std::vector<PlaneBackground> planes;
};

/// Reads `result`, fits and subtracts a gradient model per plane, writes `out` with the extensions
/// UNCERT and MASK (where the result has them) and MODEL.
[[nodiscard]] FlatSkyOutcome write_flat_sky(const std::filesystem::path& result,
                                            const std::filesystem::path& out,
                                            const sky::GradientOptions& options, Threads threads);

}  // namespace coldframe::session
