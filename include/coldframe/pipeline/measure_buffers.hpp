/// \file
/// Frames' memory for measuring one file after another.
#pragma once

#include <memory>
#include <mutex>
#include <utility>
#include <vector>

#include "coldframe/pipeline/measure_pass.hpp"
#include "coldframe/stars/scratch.hpp"

namespace coldframe::pipeline {

struct MeasureBuffers {
  Grid<float> image;
  Mask mask;
  stars::MeasureScratch stars;
};

/// As many buffers as are in use at once. What they hold is of no matter.
class BufferPool {
 public:
  [[nodiscard]] std::unique_ptr<MeasureBuffers> take() {
    const std::lock_guard lock(mutex_);
    if (free_.empty()) return std::make_unique<MeasureBuffers>();
    auto buffers = std::move(free_.back());
    free_.pop_back();
    return buffers;
  }
  void give_back(std::unique_ptr<MeasureBuffers> buffers) {
    const std::lock_guard lock(mutex_);
    free_.push_back(std::move(buffers));
  }

 private:
  std::mutex mutex_;
  std::vector<std::unique_ptr<MeasureBuffers>> free_;
};

/// As `measure_sub` without buffers, with the same results.
[[nodiscard]] SubMeasurement measure_sub(const PixelSource& raw, const Calibration& calibration,
                                         const MeasureSettings& settings, Threads threads,
                                         MeasureBuffers& buffers);

}  // namespace coldframe::pipeline
