#include "record_file.hpp"

#include "coldframe/core/error.hpp"
#include "coldframe/fits/folder_lock.hpp"

namespace coldframe::session {

nlohmann::json read_record_file(const std::filesystem::path& path) {
  auto record = nlohmann::json::parse(fits::read_text(path), nullptr, false);
  const auto holds = [&record](const char* name) {
    return record.contains(name) && record[name].is_array();
  };
  if (!record.is_object() || !holds("results") || !holds("subs")) {
    throw Error(ErrorKind::input, path.string(), "is no record of a session",
                "name a folder that coldframe run has filled");
  }
  return record;
}

}  // namespace coldframe::session
