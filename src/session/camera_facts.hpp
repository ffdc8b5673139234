// Gain, read noise and saturation of a camera from its frames.
#pragma once

#include <optional>

#include "coldframe/core/pixel_source.hpp"
#include "coldframe/sensor/photon_transfer.hpp"
#include "coldframe/session/pairing.hpp"

namespace coldframe::session {

/// Photon transfer from the first set of flats with two frames and the first
/// set of dark-level frames that share sensor and read-out with frame `like`.
/// Central window only. Unset when the frames for it are not there.
[[nodiscard]] std::optional<sensor::GainEstimate> gain_from_frames(
    const Inventory& inventory, const Pairing& pairing, const std::vector<bool>& belongs);

/// Highest usable code of raw frames like `path`'s.
[[nodiscard]] double saturation_from_codes(const std::filesystem::path& path);

}  // namespace coldframe::session
