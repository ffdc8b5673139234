// The fuzzer's bytes as a file that lives in memory only.
#pragma once

#include <sys/mman.h>
#include <unistd.h>

#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <string>

class InputFile {
 public:
  InputFile(const std::uint8_t* data, std::size_t size) : fd_(::memfd_create("input", 0)) {
    if (fd_ < 0 || ::write(fd_, data, size) != static_cast<ssize_t>(size)) std::abort();
  }
  ~InputFile() { ::close(fd_); }
  InputFile(const InputFile&) = delete;
  InputFile& operator=(const InputFile&) = delete;
  [[nodiscard]] std::filesystem::path path() const {
    return "/proc/self/fd/" + std::to_string(fd_);
  }

 private:
  int fd_;
};
