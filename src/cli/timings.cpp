// What the stages of a command took.
#include <fmt/format.h>

#include <algorithm>
#include <cstdio>

#include "command.hpp"

namespace coldframe::cli {

void print_timings(const std::vector<session::StageTime>& timings) {
  constexpr double mb = 1e-6;
  std::string text = fmt::format("{:12} {:>8} {:>8} {:>9} {:>10} {:>8}\n", "stage", "wall s",
                                 "CPU s", "read MB", "written MB", "peak MB");
  session::StageTime all;
  const auto line = [&](const session::StageTime& t) {
    text += fmt::format("{:12} {:8.2f} {:8.2f} {:9.1f} {:10.1f} {:8.0f}\n", t.stage, t.wall_s,
                        t.cpu_s, mb * static_cast<double>(t.bytes_read),
                        mb * static_cast<double>(t.bytes_written),
                        mb * static_cast<double>(t.peak_memory_bytes));
  };
  for (const auto& t : timings) {
    line(t);
    all.wall_s += t.wall_s;
    all.cpu_s += t.cpu_s;
    all.bytes_read += t.bytes_read;
    all.bytes_written += t.bytes_written;
    all.peak_memory_bytes = std::max(all.peak_memory_bytes, t.peak_memory_bytes);
  }
  all.stage = "sum";
  line(all);
  end_progress();
  fmt::print(stderr, "{}", text);
}

}  // namespace coldframe::cli
