// Writes the record to OUT, at most once a second, always whole.
#pragma once

#include <filesystem>
#include <mutex>

#include "coldframe/session/record.hpp"

namespace coldframe::session {

class RecordKeeper {
 public:
  explicit RecordKeeper(std::filesystem::path out) : out_(std::move(out)) {}
  /// Writes session.json unless that was done within the last second.
  void note(const SessionRecord& record);
  /// Writes session.json now.
  void save(const SessionRecord& record);

 private:
  std::filesystem::path out_;
  std::mutex mutex_;
  double last_s_ = -1e9;
};

}  // namespace coldframe::session
