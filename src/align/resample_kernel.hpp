/// \file
/// Runs of pixels whose 6 x 6 taps all lie inside the frame.
#pragma once

#include <cstddef>
#include <cstdint>

#include "coldframe/align/resample.hpp"

namespace coldframe::align {

/// One run. `ix`, `iy`: index of the first tap (column, row) in `source`; `ux`,
/// `uy`: fraction of the position minus 1/2 (see kernel_weights.hpp).
struct TapRun {
  const float* source = nullptr;
  std::ptrdiff_t pitch = 0;
  std::ptrdiff_t width = 0;  ///< of `source`: nothing beyond it is read
  const std::int32_t* ix = nullptr;
  const std::int32_t* iy = nullptr;
  const float* ux = nullptr;
  const float* uy = nullptr;
  Kernel kernel = Kernel::lanczos3;
  float guard = -1.0F;  ///< negative: off
};

/// The definition: columns first (rows in order), then across in order, then the guard.
void resample_run_scalar(const TapRun& run, float* out, std::size_t count) noexcept;
/// The same bits by the widest instruction set of the machine.
void resample_run(const TapRun& run, float* out, std::size_t count) noexcept;

}  // namespace coldframe::align
