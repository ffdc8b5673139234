#include "fits/temporary.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <system_error>
#include <utility>

#include "coldframe/fits/file_writer.hpp"

namespace coldframe::fits::detail {

Error write_error(const std::filesystem::path& path, int code) {
  std::string what = "cannot be written";
  std::string mend = "check the folder";
  switch (code) {
    case ENOSPC:
    case EDQUOT:
      what = "cannot be written: the disk is full";
      mend = "free some space or write elsewhere";
      break;
    case EFBIG:
      what = "cannot be written: larger than the system allows a file to be";
      mend = "raise the limit on file sizes or write to another disk";
      break;
    case EACCES:
    case EPERM:
    case EROFS:
      what = "cannot be written: permission denied";
      mend = "choose a folder that you may write to";
      break;
    case ENOENT:
    case ENOTDIR:
      what = "cannot be written: there is no such folder";
      mend = "make the folder first";
      break;
    case ENAMETOOLONG:
      what = "cannot be written: the name is too long";
      mend = "choose a shorter name";
      break;
    default:
      what += " (" + std::generic_category().message(code) + ")";
  }
  return {ErrorKind::io, path.string(), std::move(what), std::move(mend)};
}

namespace {

std::filesystem::path folder_of(const std::filesystem::path& path) {
  const auto folder = path.parent_path();
  return folder.empty() ? std::filesystem::path(".") : folder;
}

/// A name of its own in this process and among processes.
std::filesystem::path temporary_name(const std::filesystem::path& path) {
  static std::atomic<unsigned> counter{0};
  const std::string name =
      fmt::format(".{}.part-{}-{}", path.filename().string(), ::getpid(), ++counter);
  return folder_of(path) / name;
}

}  // namespace

Temporary::Temporary(std::filesystem::path path) : path_(std::move(path)) {
  std::error_code ignored;
  if (!path_.has_filename() || std::filesystem::is_directory(path_, ignored)) {
    throw Error(ErrorKind::io, path_.string(), "cannot be written: it is a folder",
                "give the name of a file");
  }
  constexpr int attempts = 100;  // names left behind by a killed process of the same number
  constexpr mode_t everybody = 0666;
  for (int i = 0; i < attempts && !file_.valid(); ++i) {
    temporary_ = temporary_name(path_);
    file_ =
        Descriptor(::open(temporary_.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, everybody));
    if (!file_.valid() && errno != EEXIST) throw write_error(path_, errno);
  }
  if (!file_.valid()) throw write_error(path_, EEXIST);
}

Temporary::~Temporary() {
  if (file_.valid()) ::unlink(temporary_.c_str());
}

void Temporary::resize(std::uint64_t bytes) {
  if (::ftruncate(file_.get(), static_cast<off_t>(bytes)) != 0) throw write_error(path_, errno);
#ifdef __linux__
  // A full disk is better met now than after hours; file systems without the call are let pass.
  if (bytes > size_ && ::fallocate(file_.get(), 0, static_cast<off_t>(size_),
                                   static_cast<off_t>(bytes - size_)) != 0) {
    if (errno == ENOSPC || errno == EDQUOT || errno == EFBIG) throw write_error(path_, errno);
  }
#endif
  size_ = bytes;
}

void Temporary::write(std::uint64_t offset, std::span<const std::byte> bytes) const {
  std::size_t done = 0;
  while (done < bytes.size()) {
    const auto put = ::pwrite(file_.get(), bytes.data() + done, bytes.size() - done,
                              static_cast<off_t>(offset + done));
    if (put < 0 && errno == EINTR) continue;
    if (put < 0) throw write_error(path_, errno);
    if (put == 0) throw write_error(path_, ENOSPC);
    done += static_cast<std::size_t>(put);
  }
}

void Temporary::read(std::uint64_t offset, std::span<std::byte> bytes) const {
  if (read_some(file_, path_, offset, bytes) != bytes.size()) {
    throw Error(ErrorKind::io, path_.string(), "its unfinished file was cut short by somebody",
                "leave the folder alone during a run");
  }
}

void Temporary::commit() {
  if (::fsync(file_.get()) != 0) throw write_error(path_, errno);
  // Closing can report what syncing could not (network folders).
  const int fd = file_.release();
  if (::close(fd) != 0 && errno != EINTR) {
    const int code = errno;
    ::unlink(temporary_.c_str());
    throw write_error(path_, code);
  }
  if (::rename(temporary_.c_str(), path_.c_str()) != 0) {
    const int code = errno;
    ::unlink(temporary_.c_str());
    throw write_error(path_, code);
  }
  const Descriptor folder(::open(folder_of(path_).c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (folder.valid()) ::fsync(folder.get());  // some file systems refuse; the file itself is safe
}

}  // namespace coldframe::fits::detail

namespace coldframe::fits {

void write_file_atomically(const std::filesystem::path& path, std::string_view bytes) {
  detail::Temporary file(path);
  file.write(0, std::as_bytes(std::span(bytes.data(), bytes.size())));
  file.commit();
}

}  // namespace coldframe::fits
