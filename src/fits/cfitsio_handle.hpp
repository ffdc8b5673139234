// RAII over a CFITSIO file. The only header of the library that knows CFITSIO.
#pragma once

#include <fitsio.h>

#include <cstddef>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "fits/bytes.hpp"

namespace coldframe::fits::detail {

/// Read-only. One handle must not be used by two threads at once (its owner
/// locks); different handles may. The library's message stack is common to all
/// threads, so it is never read: the text of a status is enough, and ours names the file.
class CfitsioHandle {
 public:
  /// By the disk-file call: brackets, colons and the like in a name mean nothing.
  [[nodiscard]] static CfitsioHandle open_disk(const std::filesystem::path& path);
  /// On a whole file held in memory.
  [[nodiscard]] static CfitsioHandle open_memory(const std::filesystem::path& path,
                                                 std::vector<std::byte> content);
  ~CfitsioHandle();
  CfitsioHandle(CfitsioHandle&& other) noexcept;
  CfitsioHandle& operator=(CfitsioHandle&&) = delete;

  void move_to(int hdu);  ///< 0 = primary
  [[nodiscard]] fitsfile* get() const noexcept;
  /// Throws Error(input) with `what` and the library's words when `status` is a fault.
  void check(int status, const std::string& what) const;
  [[nodiscard]] std::size_t resident_bytes() const noexcept;

 private:
  struct State;
  explicit CfitsioHandle(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace coldframe::fits::detail
