/// \file
/// Keeps two runs out of one result folder.
#pragma once

#include <filesystem>
#include <string>

namespace coldframe::fits {

/// Advisory lock on a folder, released when the object or the process ends,
/// however it ends. Throws Error(usage) when another process holds it, Error(io)
/// when the lock file cannot be made.
class FolderLock {
 public:
  explicit FolderLock(const std::filesystem::path& folder);
  ~FolderLock();
  FolderLock(const FolderLock&) = delete;
  FolderLock& operator=(const FolderLock&) = delete;

 private:
  int descriptor_ = -1;
};

/// Makes a folder with its parents; Error(io) when that fails.
void make_folder(const std::filesystem::path& folder);

/// Removes temporaries that a killed run left in a folder of results and the folders in it. Only
/// call under the folder's lock.
void remove_unfinished(const std::filesystem::path& folder);

/// The bytes of a small file (scene, recipe, list). Error(input) when missing or unreadable
/// or larger than 64 MiB.
[[nodiscard]] std::string read_text(const std::filesystem::path& path);

}  // namespace coldframe::fits
