#include "record_keeper.hpp"

#include "coldframe/fits/file_writer.hpp"
#include "stage_clock.hpp"

namespace coldframe::session {

void RecordKeeper::note(const SessionRecord& record) {
  const std::lock_guard lock(mutex_);
  const double now = steady_seconds();
  if (now - last_s_ < 1.0) return;
  last_s_ = now;
  fits::write_file_atomically(out_ / "session.json", record_json(record));
}

void RecordKeeper::save(const SessionRecord& record) {
  const std::lock_guard lock(mutex_);
  last_s_ = steady_seconds();
  fits::write_file_atomically(out_ / "session.json", record_json(record));
}

}  // namespace coldframe::session
