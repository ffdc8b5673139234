// Wall and CPU time per stage of a run.
#pragma once

#include <string>
#include <vector>

#include "coldframe/session/record.hpp"

namespace coldframe::session {

/// Adds the time between construction and destruction to the stage's row.
class StageClock {
 public:
  StageClock(std::vector<StageTime>& rows, std::string stage);
  ~StageClock();
  StageClock(const StageClock&) = delete;
  StageClock& operator=(const StageClock&) = delete;

 private:
  std::vector<StageTime>& rows_;
  std::string stage_;
  double wall_ = 0.0;
  double cpu_ = 0.0;
};

/// Largest resident size of this process so far, bytes.
[[nodiscard]] std::size_t peak_memory_bytes();
/// Seconds on a clock that never jumps.
[[nodiscard]] double steady_seconds();

}  // namespace coldframe::session
