#include "stage_clock.hpp"

#include <sys/resource.h>

#include <algorithm>
#include <chrono>

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

StageClock::StageClock(std::vector<StageTime>& rows, std::string stage)
    : rows_(rows), stage_(std::move(stage)), wall_(steady_seconds()), cpu_(cpu_seconds()) {}

StageClock::~StageClock() {
  const double wall = steady_seconds() - wall_;
  const double cpu = cpu_seconds() - cpu_;
  const auto row = std::find_if(rows_.begin(), rows_.end(),
                                [&](const StageTime& t) { return t.stage == stage_; });
  if (row == rows_.end()) {
    rows_.push_back({stage_, wall, cpu});
  } else {
    row->wall_s += wall;
    row->cpu_s += cpu;
  }
}

}  // namespace coldframe::session
