/// \file
/// Median of each pixel's 3 x 3 same-colour neighbourhood, by rows.
#pragma once

#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// Distance between neighbours of one colour.
[[nodiscard]] constexpr int colour_step(CfaPattern cfa) noexcept {
  return cfa == CfaPattern::none ? 1 : 2;
}

/// Working memory of one thread. Frames are mirrored about their edge pixels (which keeps the
/// colour); what is not finite counts as +infinity.
class LocalMedian {
 public:
  LocalMedian(PlaneView<const float> plane, int step);
  /// Medians of row `y`; valid until the next call.
  [[nodiscard]] const float* row(int y);
  /// Median of one pixel, as in its row; for a few of them.
  [[nodiscard]] float at(int x, int y) const;

 private:
  void load(int y, std::vector<float>& padded) const;
  PlaneView<const float> plane_;
  int step_;
  std::vector<float> above_, here_, below_, low_, middle_, high_, result_;
};

}  // namespace coldframe::sensor
