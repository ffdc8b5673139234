// Bytes of a file, plain or gzipped, behind one interface.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "coldframe/core/error.hpp"

namespace coldframe::fits::detail {

/// What to do about a file that is cut or damaged.
inline constexpr const char* copy_again = "copy it again from the camera";

[[nodiscard]] Error input_error(const std::filesystem::path& path, std::string what,
                                std::string mend);

/// Owner of a file descriptor.
class Descriptor {
 public:
  Descriptor() = default;
  explicit Descriptor(int fd) noexcept : fd_(fd) {}
  ~Descriptor();
  Descriptor(Descriptor&& other) noexcept : fd_(other.fd_) { other.fd_ = -1; }
  Descriptor& operator=(Descriptor&& other) noexcept;
  [[nodiscard]] int get() const noexcept { return fd_; }
  [[nodiscard]] bool valid() const noexcept { return fd_ >= 0; }
  [[nodiscard]] int release() noexcept;

 private:
  int fd_ = -1;
};

class ByteSource {
 public:
  virtual ~ByteSource() = default;
  /// Whether the content is at least `end` bytes long (gzip: inflates that far).
  [[nodiscard]] virtual bool reaches(std::uint64_t end) = 0;
  /// Bytes known to be there: the size of the file, or what has been inflated.
  [[nodiscard]] virtual std::uint64_t known_size() const noexcept = 0;
  /// Exactly `out.size()` bytes from `offset`; they must have been reached.
  virtual void read(std::uint64_t offset, std::span<std::byte> out) const = 0;
  /// Throws when the file is no longer the one that was opened.
  virtual void check_unchanged() const = 0;
  [[nodiscard]] virtual bool gzipped() const noexcept = 0;
  /// Reads on to the end where only that shows damage (gzip keeps its check value there).
  virtual void check_rest() {}
  /// The inflated bytes so far, given away; empty for plain files.
  [[nodiscard]] virtual std::vector<std::byte> take() { return {}; }
};

/// Opens a regular, non-empty file; gzip is known by its first two bytes, not by the name.
[[nodiscard]] std::unique_ptr<ByteSource> open_bytes(const std::filesystem::path& path);

/// Opens for reading after the checks that belong before (exists, regular file). Throws
/// Error(input).
[[nodiscard]] Descriptor open_regular_file(const std::filesystem::path& path);

struct FileStamp {
  std::uint64_t size = 0;
  std::int64_t modified_ns = 0;
};
[[nodiscard]] FileStamp stamp_of(const Descriptor& file, const std::filesystem::path& path);

/// Reads up to `out.size()` bytes; fewer only at the end of the file.
[[nodiscard]] std::size_t read_some(const Descriptor& file, const std::filesystem::path& path,
                                    std::uint64_t offset, std::span<std::byte> out);

/// No gzipped file may inflate beyond this (a small file can hold a huge one).
inline constexpr std::uint64_t inflated_limit = std::uint64_t{1} << 31U;

}  // namespace coldframe::fits::detail
