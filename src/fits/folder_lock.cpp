#include "coldframe/fits/folder_lock.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <fstream>
#include <sstream>
#include <system_error>

#include "coldframe/core/error.hpp"

namespace coldframe::fits {
namespace fs = std::filesystem;

FolderLock::FolderLock(const fs::path& folder) {
  const fs::path file = folder / ".lock";
  descriptor_ = ::open(file.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0644);
  if (descriptor_ < 0) {
    throw Error(ErrorKind::io, file.string(),
                std::string("cannot be made: ") + std::strerror(errno),
                "check the folder's permissions and the free space");
  }
  if (::flock(descriptor_, LOCK_EX | LOCK_NB) != 0) {
    ::close(descriptor_);
    throw Error(ErrorKind::usage, folder.string(), "another run is writing into this folder",
                "wait for it to end, or give another folder with -o");
  }
}

FolderLock::~FolderLock() {
  if (descriptor_ >= 0) ::close(descriptor_);
}

void make_folder(const fs::path& folder) {
  std::error_code fault;
  fs::create_directories(folder, fault);
  if (fault || !fs::is_directory(folder)) {
    throw Error(ErrorKind::io, folder.string(),
                "folder cannot be made" + (fault ? ": " + fault.message() : std::string()),
                "check the name and the permissions");
  }
}

void remove_unfinished(const fs::path& folder) {
  std::error_code fault;
  for (fs::recursive_directory_iterator entry(folder, fault), end; !fault && entry != end;
       entry.increment(fault)) {
    const auto name = entry->path().filename().string();
    std::error_code ignored;
    if (name.starts_with('.') && name.find(".part-") != std::string::npos &&
        entry->is_regular_file(ignored)) {
      fs::remove(entry->path(), ignored);
    }
  }
}

std::string read_text(const fs::path& path) {
  constexpr std::uintmax_t most = std::uintmax_t{64} << 20U;
  std::error_code fault;
  if (!fs::is_regular_file(path, fault)) {
    throw Error(ErrorKind::input, path.string(), "does not exist or is no file", "check the name");
  }
  if (fs::file_size(path, fault) > most || fault) {
    throw Error(ErrorKind::input, path.string(), "is too large for a text file", "check the name");
  }
  std::ifstream stream(path, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  if (!stream) {
    throw Error(ErrorKind::input, path.string(), "cannot be read", "check its permissions");
  }
  return text.str();
}

}  // namespace coldframe::fits
