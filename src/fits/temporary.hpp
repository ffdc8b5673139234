// A file that gets its final name only when it is complete.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <span>

#include "fits/bytes.hpp"

namespace coldframe::fits::detail {

/// Created beside `path` under a hidden name of its own; removed unless committed.
/// All faults are Error(io) that name `path`.
class Temporary {
 public:
  explicit Temporary(std::filesystem::path path);
  ~Temporary();
  Temporary(const Temporary&) = delete;
  Temporary& operator=(const Temporary&) = delete;

  /// Gives the file its length, with the disk space behind it where the system can promise that.
  void resize(std::uint64_t bytes);
  void write(std::uint64_t offset, std::span<const std::byte> bytes) const;
  void read(std::uint64_t offset, std::span<std::byte> bytes) const;
  /// Syncs the file, renames it and syncs the folder.
  void commit();
  [[nodiscard]] const std::filesystem::path& path() const noexcept { return path_; }

 private:
  std::filesystem::path path_;
  std::filesystem::path temporary_;
  Descriptor file_;
  std::uint64_t size_ = 0;
};

/// What an errno of writing means for the owner of the file.
[[nodiscard]] Error write_error(const std::filesystem::path& path, int code);

}  // namespace coldframe::fits::detail
