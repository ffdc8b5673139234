// All buffers of a strip, allocated once.
#pragma once

#include <vector>

#include "coldframe/pipeline/combine_pass.hpp"

namespace coldframe::pipeline {

class StripBuffers {
 public:
  StripBuffers(std::size_t subs, int planes, Size canvas, int rows, int columns) {
    for (std::size_t i = 0; i < subs * static_cast<std::size_t>(planes); ++i) {
      values_.emplace_back(columns, rows);
      masks_.emplace_back(columns, rows);
    }
    for (int p = 0; p < planes; ++p) {
      mean_.emplace_back(canvas.width, rows);
      uncertainty_.emplace_back(canvas.width, rows);
      weight_.emplace_back(canvas.width, rows);
      low_.emplace_back(canvas.width, rows);
      high_.emplace_back(canvas.width, rows);
      flags_.emplace_back(canvas.width, rows);
    }
  }
  [[nodiscard]] PlaneView<float> value(std::size_t index, Size tile) {
    return values_[index].view().crop(whole(tile));
  }
  [[nodiscard]] PlaneView<std::uint8_t> mask(std::size_t index, Size tile) {
    return masks_[index].view().crop(whole(tile));
  }
  /// Result views of one plane for rows [y0, y1) and columns [x0, x1) of the strip.
  [[nodiscard]] stack::TileResult result(int plane, const Rect& part) {
    const auto p = static_cast<std::size_t>(plane);
    stack::TileResult r;
    r.mean = mean_[p].view().crop(part);
    r.variance = uncertainty_[p].view().crop(part);
    r.weight_sum = weight_[p].view().crop(part);
    r.clipped_low = low_[p].view().crop(part);
    r.clipped_high = high_[p].view().crop(part);
    r.flags = flags_[p].view().crop(part);
    return r;
  }
  [[nodiscard]] ResultStrip strip(int plane, int y0, const Rect& part) {
    const auto r = result(plane, part);
    return {plane, y0, r.mean, r.variance, r.weight_sum, r.clipped_low, r.clipped_high, r.flags};
  }

 private:
  std::vector<Grid<float>> values_;
  std::vector<Mask> masks_;
  std::vector<Grid<float>> mean_, uncertainty_, weight_;
  std::vector<Grid<std::uint16_t>> low_, high_;
  std::vector<Mask> flags_;
};

}  // namespace coldframe::pipeline
