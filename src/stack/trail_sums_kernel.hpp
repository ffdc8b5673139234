/// \file
/// The inner loop of measuring a line: `plain` defines the result, the version in the namespace
/// above gives the same bits with whatever registers the machine has.
#pragma once

#include <cstddef>

namespace coldframe::stack::detail {

/// Where a line crosses one column of the picture.
struct Crossing {
  const float* value = nullptr;  ///< from the first pixel on
  const float* good = nullptr;
  /// Weights and squared weights in groups of two and two: w0 w1 s0 s1, w2 w3 s2 s3, ...
  const float* taps = nullptr;
  std::size_t skip = 0;   ///< weights before the first pixel
  std::size_t count = 0;  ///< pixels
};

struct CrossingSums {
  float matched = 0.0F;  ///< weight times value
  float square = 0.0F;   ///< squared weight of good pixels
};

namespace plain {
/// Each sum is that of the even pixels plus that of the odd ones.
void weigh(const Crossing* crossings, std::size_t count, CrossingSums* out) noexcept;
}  // namespace plain

void weigh(const Crossing* crossings, std::size_t count, CrossingSums* out) noexcept;

}  // namespace coldframe::stack::detail
