/// \file
/// Calibrated pixels of one rectangle after another in buffers that are used again: going through
/// files, fresh pages for every band cost as much as the arithmetic.
#pragma once

#include <cstdint>
#include <memory>
#include <span>

#include "coldframe/pipeline/calibration.hpp"

namespace coldframe::pipeline {

/// Memory for `count` elements that keeps what it has; contents are not kept.
template <typename T>
class Room {
 public:
  [[nodiscard]] T* of(std::size_t count) {
    if (count > room_) {
      data_ = std::make_unique_for_overwrite<T[]>(count);
      room_ = count;
    }
    return data_.get();
  }

 private:
  std::unique_ptr<T[]> data_;
  std::size_t room_ = 0;
};

/// For one thread at a time.
class CalibratedBand {
 public:
  /// As `read_calibrated`; the views hold until the next call.
  void read(const PixelSource& raw, const Calibration& calibration, const Rect& rect, int plane = 0,
            const sensor::LineOffsets* lines = nullptr,
            std::span<const stack::HitPixel> particles = {});
  /// As `read_calibrated_with_error`.
  void read_with_error(const PixelSource& raw, const Calibration& calibration, const Rect& rect,
                       int plane = 0);

  [[nodiscard]] PlaneView<const float> values() const noexcept { return values_; }
  [[nodiscard]] PlaneView<const std::uint8_t> mask() const noexcept { return mask_; }
  /// Of the last `read_with_error`.
  [[nodiscard]] PlaneView<const float> error() const noexcept { return error_; }

 private:
  Room<float> pixels_, sums_, errors_;
  Room<std::uint8_t> bits_;
  PlaneView<const float> values_, error_;
  PlaneView<const std::uint8_t> mask_;
};

}  // namespace coldframe::pipeline
