#include "stage_clock.hpp"

#include <sys/resource.h>

#include <algorithm>
#include <chrono>
#include <fstream>
#include <iterator>

namespace coldframe::session {
namespace {

double cpu_seconds() {
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  const auto seconds = [](const timeval& t) {
    return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec);
  };
  return seconds(usage.ru_utime) + seconds(usage.ru_stime);
}

}  // namespace

double steady_seconds() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

std::size_t peak_memory_bytes() {
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  return static_cast<std::size_t>(usage.ru_maxrss) * 1024U;
}

BytesMoved bytes_moved() {
  BytesMoved moved;
  std::ifstream table("/proc/self/io");
  std::string name;
  std::uint64_t value = 0;
  while (table >> name >> value) {
    if (name == "rchar:") moved.read = value;
    if (name == "wchar:") moved.written = value;
  }
  return moved;
}

StageClock::StageClock(std::vector<StageTime>& rows, std::string stage)
    : rows_(rows),
      stage_(std::move(stage)),
      wall_(steady_seconds()),
      cpu_(cpu_seconds()),
      moved_(bytes_moved()) {}

StageClock::~StageClock() {
  auto row = std::find_if(rows_.begin(), rows_.end(),
                          [&](const StageTime& t) { return t.stage == stage_; });
  if (row == rows_.end()) {
    rows_.push_back({});
    row = std::prev(rows_.end());
    row->stage = stage_;
  }
  const BytesMoved now = bytes_moved();
  row->wall_s += steady_seconds() - wall_;
  row->cpu_s += cpu_seconds() - cpu_;
  row->bytes_read += now.read - moved_.read;
  row->bytes_written += now.written - moved_.written;
  row->peak_memory_bytes = peak_memory_bytes();
}

}  // namespace coldframe::session
