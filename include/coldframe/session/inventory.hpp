/// \file
/// Taking stock of a folder tree: what each file is, and which could not be used and why.
#pragma once

#include <filesystem>
#include <string>
#include <utility>
#include <vector>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/interrupt.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/session/options.hpp"

namespace coldframe::session {

struct FrameEntry {
  std::filesystem::path path;
  std::string name;  ///< relative to the session, '/' between folders
  FrameInfo info;
  bool compressed_whole = false;  ///< gzip: no cheap regions
  std::size_t resident_bytes = 0;
  bool library_master = false;  ///< a ready master from `--masters`, not a raw frame
  std::size_t folder = 0;       ///< which of the session's folders it comes from
  std::string local_name{};     ///< `name` within that folder: stays when folders are added
};

struct LeftOut {
  std::string name;
  std::string why;
  std::string mend;
};

struct Warning {
  std::string code;     ///< stable word for programs
  std::string message;  ///< what, how large, what to do
  std::vector<std::string> files;
  std::vector<std::pair<std::string, double>> evidence{};  ///< names carry units
};

struct Inventory {
  std::filesystem::path root;
  std::vector<FrameEntry> frames;  ///< by name
  std::vector<LeftOut> left_out;
  std::vector<Warning> warnings;
};

/// Walks `root` (a folder, or one file); symbolic links to folders are not
/// followed, hidden entries and `exclude` are passed over, results of this program recognised.
/// Throws Error(input) when `root` does not exist.
[[nodiscard]] Inventory take_stock(const std::filesystem::path& root,
                                   const std::filesystem::path& exclude,
                                   const std::vector<SuppliedCard>& supplied, Threads threads,
                                   const Watch& watch);

/// The same for several folders of one target. With more than one, names begin with the folder's.
[[nodiscard]] Inventory take_stock_of_folders(const std::vector<std::filesystem::path>& roots,
                                              const std::filesystem::path& exclude,
                                              const std::vector<SuppliedCard>& supplied,
                                              Threads threads, const Watch& watch);

/// The same for files named one by one; a missing one throws Error(input).
[[nodiscard]] Inventory take_stock_of_files(const std::vector<std::filesystem::path>& files,
                                            const std::vector<SuppliedCard>& supplied,
                                            Threads threads, const Watch& watch);

}  // namespace coldframe::session
