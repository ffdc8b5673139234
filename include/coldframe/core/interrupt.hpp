/// \file
/// Lets long work stop between steps, and report how far it is, without knowing who asks.
#pragma once

#include <atomic>
#include <cstddef>
#include <functional>
#include <string_view>

namespace coldframe {

/// Handed down to long operations. All members optional.
struct Watch {
  const std::atomic<bool>* stop = nullptr;  ///< set from a signal handler
  /// stage name, steps done, steps in all; may be called from several threads.
  std::function<void(std::string_view stage, std::size_t done, std::size_t total)> progress;

  /// Throws coldframe::Error(interrupted) when a stop was asked for.
  void check() const;
  void report(std::string_view stage, std::size_t done, std::size_t total) const {
    if (progress) progress(stage, done, total);
  }
};

}  // namespace coldframe
