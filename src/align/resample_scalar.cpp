#include "align/resample_kernel.hpp"
#include "coldframe/align/kernel_weights.hpp"

namespace coldframe::align {

void resample_run_scalar(const TapRun& run, float* out, std::size_t count) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    float wx[tap_count], wy[tap_count];
    tap_weights(run.kernel, run.ux[i], wx);
    tap_weights(run.kernel, run.uy[i], wy);
    const float* corner = run.source + run.pitch * run.iy[i] + run.ix[i];
    float value = 0.0F;
    for (int k = 0; k < tap_count; ++k) {
      float column = wy[0] * corner[k];
      for (int j = 1; j < tap_count; ++j) column = column + wy[j] * corner[run.pitch * j + k];
      value = k == 0 ? wx[0] * column : value + wx[k] * column;
    }
    if (run.guard >= 0.0F) {
      float lowest = corner[run.pitch + 1], highest = lowest;
      for (int j = 1; j <= 4; ++j) {
        for (int k = 1; k <= 4; ++k) {
          const float sample = corner[run.pitch * j + k];
          lowest = sample < lowest ? sample : lowest;
          highest = highest < sample ? sample : highest;
        }
      }
      const float floor = lowest - run.guard * (highest - lowest);
      value = value < floor ? floor : value;
    }
    out[i] = value;
  }
}

}  // namespace coldframe::align
