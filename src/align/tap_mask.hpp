/// \file
/// Mask of resampled pixels: a bit is set where the pixels that carry it hold more
/// than a share of the squared kernel weight.
#pragma once

#include <cstdint>

#include "coldframe/core/image.hpp"

namespace coldframe::align {

/// Share of the squared weights per bit; `columns` x `rows` taps from (x0, y0) of
/// `mask`, taps beyond its edges left out.
[[nodiscard]] std::uint8_t weighted_mask(PlaneView<const std::uint8_t> mask, int x0, int y0,
                                         const float* wx, int columns, const float* wy, int rows,
                                         double share) noexcept;

/// Tells quickly whether any of the 6 x 6 mask pixels from (x, y) is set.
class MaskSummary {
 public:
  explicit MaskSummary(PlaneView<const std::uint8_t> mask);
  [[nodiscard]] bool clean() const noexcept { return any_.empty(); }
  /// The flag of (x, y) and behind it those of the rest of its row; (x, y) inside the
  /// mask; not to be called when `clean`.
  [[nodiscard]] const std::uint8_t* at(int x, int y) const noexcept { return &any_(x, y); }

 private:
  Grid<std::uint8_t> any_;  ///< OR over x ... x + 5, y ... y + 5; empty when nothing is set
};

}  // namespace coldframe::align
