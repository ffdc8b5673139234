// Gain, read noise and saturation of a camera from its frames.
#pragma once

#include <optional>

#include <filesystem>
#include <vector>

#include "coldframe/session/pairing.hpp"

namespace coldframe::session {

struct GainFinding {
  bool usable = false;
  double gain_e_per_adu = 0.0;
  double gain_error = 0.0;
  double read_noise_e = 0.0;
};
/// Photon transfer from two flats of one exposure and two bias frames (or short darks) that belong.
/// Central window only. Unset when the frames for it are not there.
[[nodiscard]] std::optional<GainFinding> gain_from_frames(const Inventory& inventory,
                                                          const Pairing& pairing,
                                                          const std::vector<bool>& belongs);

struct SaturationFinding {
  std::optional<double> level_adu;  ///< unset: no light could be read
  bool header_absurd = false;       ///< much of the lights lies above the header's level
};
/// Saturation level from the codes of lights; `header` (SATURATE) is believed unless the lights
/// disprove it, `data_max` (DATAMAX) only where the codes themselves show no saturation and none
/// lies above it.
[[nodiscard]] SaturationFinding saturation_from_lights(
    const std::vector<std::filesystem::path>& paths, const std::optional<double>& header,
    const std::optional<double>& data_max = {});

}  // namespace coldframe::session
