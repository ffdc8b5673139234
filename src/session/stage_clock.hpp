// Wall and CPU time, bytes moved and memory per stage of a run.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "coldframe/session/record.hpp"

namespace coldframe::session {

/// Bytes that this process has read and written so far; 0 where the system does not tell.
struct BytesMoved {
  std::uint64_t read = 0;
  std::uint64_t written = 0;
};
[[nodiscard]] BytesMoved bytes_moved();

/// Adds what was used between construction and destruction to the stage's row.
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
  BytesMoved moved_;
};

/// Largest resident size of this process so far, bytes.
[[nodiscard]] std::size_t peak_memory_bytes();
/// Seconds on a clock that never jumps.
[[nodiscard]] double steady_seconds();

}  // namespace coldframe::session
