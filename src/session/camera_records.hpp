// Which cameras (with their settings) a session's frames come from, and what is known of each.
#pragma once

#include <vector>

#include "coldframe/session/options.hpp"
#include "coldframe/session/pairing.hpp"
#include "coldframe/session/record.hpp"

namespace coldframe::session {

/// Fills `record.cameras`, with gain, read noise and saturation level from options, headers or the
/// frames themselves, warns where these contradict each other, and returns for every frame the
/// index of its camera.
[[nodiscard]] std::vector<int> find_cameras(const Inventory& inventory, const Pairing& pairing,
                                            const RunOptions& options, SessionRecord& record);

}  // namespace coldframe::session
