// Progress on stderr: a line that is redrawn on a terminal, plain lines elsewhere.
#include <fmt/format.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdio>
#include <memory>
#include <mutex>

#include "command.hpp"

namespace coldframe::cli {
namespace {

// A signal handler can reach nothing but a global.
std::atomic<bool> stop_requested{false};

extern "C" void on_interrupt(int) {
  stop_requested.store(true);
  // A second Ctrl-C ends the program at once.
  std::signal(SIGINT, SIG_DFL);
}

using Clock = std::chrono::steady_clock;

double seconds_since(Clock::time_point start) {
  return std::chrono::duration<double>(Clock::now() - start).count();
}

std::string clock_text(double seconds) {
  const auto whole = static_cast<long>(seconds + 0.5);
  return whole >= 3600 ? fmt::format("{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
                       : fmt::format("{}:{:02}", whole / 60, whole % 60);
}

class ProgressLine {
 public:
  void show(std::string_view stage, std::size_t done, std::size_t total) {
    const std::lock_guard lock(mutex_);
    const bool fresh = stage_ != stage || done < done_;
    if (fresh) {
      finish();
      stage_ = stage;
      start_ = last_ = Clock::now();
      tenth_ = 0;
    }
    done_ = std::max(fresh ? 0 : done_, done);
    if (terminal_) {
      draw(total);
    } else {
      say(total);
    }
  }
  void finish() {
    if (open_) std::fputc('\n', stderr);
    open_ = false;
  }
  void end() {
    const std::lock_guard lock(mutex_);
    finish();
  }

 private:
  void draw(std::size_t total) {
    const bool last = done_ >= total;
    if (!last && open_ && seconds_since(last_) < 0.1) return;
    last_ = Clock::now();
    constexpr std::size_t width = 24;
    const std::size_t filled = total > 0 ? width * std::min(done_, total) / total : width;
    const double spent = seconds_since(start_);
    const double left = done_ > 0 ? spent * static_cast<double>(total - std::min(done_, total)) /
                                        static_cast<double>(done_)
                                  : 0.0;
    // A rate of the first blink of an eye says nothing.
    const std::string rate =
        spent > 0.2 ? fmt::format("{:.3g}/s", static_cast<double>(done_) / spent) : std::string();
    fmt::print(stderr, "\r{:<10} {}{} {:>5}/{:<5} {:>8} {}   ", stage_, std::string(filled, '='),
               std::string(width - filled, '.'), done_, total, rate,
               last ? "took " + clock_text(spent) : "left " + clock_text(left));
    std::fflush(stderr);
    open_ = true;
    if (last) finish();
  }
  void say(std::size_t total) {
    const std::size_t tenth = total > 0 ? 10 * done_ / total : 10;
    const bool last = done_ >= total;
    if (!last && (tenth <= tenth_ || seconds_since(last_) < 2.0)) return;
    tenth_ = tenth;
    last_ = Clock::now();
    fmt::print(stderr, "{}: {} of {}\n", stage_, done_, total);
  }

  std::mutex mutex_;
  std::string stage_;
  std::size_t done_ = 0;
  std::size_t tenth_ = 0;
  bool open_ = false;
  bool terminal_ = isatty(STDERR_FILENO) != 0;
  Clock::time_point start_ = Clock::now();
  Clock::time_point last_ = Clock::now();
};

ProgressLine& the_line() {
  static ProgressLine line;
  return line;
}

}  // namespace

Watch watch_of(const Common& common) {
  std::signal(SIGINT, on_interrupt);
  std::signal(SIGTERM, on_interrupt);
  Watch watch;
  watch.stop = &stop_requested;
  if (!common.quiet) {
    watch.progress = [](std::string_view stage, std::size_t done, std::size_t total) {
      the_line().show(stage, done, total);
    };
  }
  return watch;
}

void end_progress() { the_line().end(); }

}  // namespace coldframe::cli
