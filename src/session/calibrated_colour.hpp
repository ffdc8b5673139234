// Calibrated colour frames: a mosaic filled in, with the uncertainty of each plane.
#pragma once

#include <filesystem>

#include "coldframe/core/header.hpp"
#include "coldframe/core/pixel_source.hpp"
#include "coldframe/pipeline/calibration.hpp"
#include "coldframe/sensor/demosaic.hpp"

namespace coldframe::session {

/// Writes three planes with UNCERT and MASK. `header`: of the calibrated mosaic. `calibration` must
/// have been prepared with `keep_variance`. Half-size pixels hold light per pixel of the sensor;
/// sky coordinates and pixel size in the header follow, and CFPLXn, CFPLYn say where plane n was
/// sampled. Throws Error(input) for a frame without a colour pattern.
void write_calibrated_colour(const PixelSource& source, Header header,
                             const pipeline::Calibration& calibration, sensor::Demosaic method,
                             const std::filesystem::path& out, Threads threads);

}  // namespace coldframe::session
