// A few frames of one set, for a look at what they have in common.
#pragma once

#include <memory>
#include <span>
#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/pixel_source.hpp"
#include "coldframe/session/inventory.hpp"

namespace coldframe::session {

class FewFrames {
 public:
  /// At most five of `frames` (indices into the inventory), spread; unreadable ones are passed
  /// over.
  FewFrames(const Inventory& inventory, std::span<const std::size_t> frames);

  [[nodiscard]] bool empty() const noexcept { return sources_.empty(); }
  /// Median of the frames, pixel by pixel; they must not be empty.
  [[nodiscard]] Grid<float> median(const Rect& rect, Threads threads) const;
  /// Of a pixel of one frame, from neighbours along rows.
  [[nodiscard]] double noise() const;

 private:
  std::vector<std::unique_ptr<PixelSource>> sources_;
};

}  // namespace coldframe::session
