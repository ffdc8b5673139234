/// \file
/// A quick look at the sky of frames whose stars need not be known.
#pragma once

#include "coldframe/pipeline/measure_pass.hpp"

namespace coldframe::pipeline {

/// Every such pixel of every such row is looked at.
inline constexpr int quick_sky_step = 4;

/// Sky and noise (wings counted) of mono frames or colour planes from one pixel in sixteen, on the
/// same cells of the sky as `measure_sub`: level and noise of a cell are known four times less well
/// than from all pixels, those of the frame as well as anybody needs. No stars, no preview;
/// masters' defects are left out, not repaired. Not for mosaics.
[[nodiscard]] SubMeasurement measure_quick_sky(const PixelSource& raw,
                                               const Calibration& calibration,
                                               const stars::SkyMeshOptions& options,
                                               Threads threads);

}  // namespace coldframe::pipeline
