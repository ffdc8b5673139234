#include "fits/bytes.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <system_error>
#include <utility>

#include "fits/gzip.hpp"

namespace coldframe::fits::detail {

Error input_error(const std::filesystem::path& path, std::string what, std::string mend) {
  return {ErrorKind::input, path.string(), std::move(what), std::move(mend)};
}

Descriptor::~Descriptor() {
  if (fd_ >= 0) ::close(fd_);
}

Descriptor& Descriptor::operator=(Descriptor&& other) noexcept {
  std::swap(fd_, other.fd_);
  return *this;
}

int Descriptor::release() noexcept { return std::exchange(fd_, -1); }

Descriptor open_regular_file(const std::filesystem::path& path) {
  std::error_code fault;
  const auto status = std::filesystem::status(path, fault);
  if (status.type() == std::filesystem::file_type::not_found) {
    throw input_error(path, "no such file", "check the name");
  }
  if (std::filesystem::is_directory(status)) {
    throw input_error(path, "is a folder, not a file", "name a FITS file");
  }
  if (!fault && !std::filesystem::is_regular_file(status)) {
    throw input_error(path, "is not a regular file", "name a FITS file");
  }
  // Non-blocking, so that a pipe put there a moment ago cannot hold us.
  Descriptor file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  if (!file.valid()) {
    const std::error_code code(errno, std::generic_category());
    throw input_error(path, "cannot be opened (" + code.message() + ")",
                      "check that you may read it");
  }
  return file;
}

FileStamp stamp_of(const Descriptor& file, const std::filesystem::path& path) {
  struct stat facts {};
  if (::fstat(file.get(), &facts) != 0 || !S_ISREG(facts.st_mode)) {
    throw input_error(path, "is not a regular file", "name a FITS file");
  }
  constexpr std::int64_t ns_per_s = 1'000'000'000;
  return {static_cast<std::uint64_t>(facts.st_size),
          facts.st_mtim.tv_sec * ns_per_s + facts.st_mtim.tv_nsec};
}

std::size_t read_some(const Descriptor& file, const std::filesystem::path& path,
                      std::uint64_t offset, std::span<std::byte> out) {
  std::size_t done = 0;
  while (done < out.size()) {
    const auto got = ::pread(file.get(), out.data() + done, out.size() - done,
                             static_cast<off_t>(offset + done));
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) {
      const std::error_code code(errno, std::generic_category());
      throw Error(ErrorKind::io, path.string(), "cannot be read (" + code.message() + ")",
                  "check the disk and the connection");
    }
    if (got == 0) break;
    done += static_cast<std::size_t>(got);
  }
  return done;
}

namespace {

/// A plain file, read where and when asked for; safe for several threads.
class FileBytes final : public ByteSource {
 public:
  FileBytes(std::filesystem::path path, Descriptor file, FileStamp stamp)
      : path_(std::move(path)), file_(std::move(file)), stamp_(stamp) {}

  [[nodiscard]] bool reaches(std::uint64_t end) override { return end <= stamp_.size; }
  [[nodiscard]] std::uint64_t known_size() const noexcept override { return stamp_.size; }
  [[nodiscard]] bool gzipped() const noexcept override { return false; }

  void check_unchanged() const override {
    if (stamp_of(file_, path_).size != stamp_.size) throw changed();
  }

  void read(std::uint64_t offset, std::span<std::byte> out) const override {
    check_unchanged();
    if (read_some(file_, path_, offset, out) != out.size()) throw changed();
  }

 private:
  [[nodiscard]] Error changed() const {
    return input_error(path_, "the file changed while it was being read",
                       "leave the files alone during a run and start it again");
  }
  std::filesystem::path path_;
  Descriptor file_;
  FileStamp stamp_;
};

}  // namespace

std::unique_ptr<ByteSource> open_bytes(const std::filesystem::path& path) {
  Descriptor file = open_regular_file(path);
  const FileStamp stamp = stamp_of(file, path);
  if (stamp.size == 0) throw input_error(path, "the file is empty", copy_again);
  std::array<std::byte, 2> magic{};
  const bool two = read_some(file, path, 0, magic) == magic.size();
  if (two && magic[0] == std::byte{0x1f} && magic[1] == std::byte{0x8b}) {
    return open_gzip(path, std::move(file), stamp);
  }
  return std::make_unique<FileBytes>(path, std::move(file), stamp);
}

}  // namespace coldframe::fits::detail
