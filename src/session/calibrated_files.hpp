// Calibrated frames on their way from raw files to files, several at a time: a band of all of them
// is worked on while its masters are in the cache, and the disk takes finished files meanwhile.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "coldframe/core/header.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/pipeline/calibration.hpp"

namespace coldframe::session {

struct CalibratedFile {
  std::unique_ptr<PixelSource> source;
  std::shared_ptr<const pipeline::Calibration> calibration;
  Header header;
  std::filesystem::path out;
  bool values_only = false;  ///< no uncertainty, no mask
  std::size_t number = 0;    ///< the caller's
};

struct WrittenFile {
  std::size_t number = 0;
  std::string why;  ///< empty: written
};

/// Frames of one size; files appear under their names when they are whole.
class CalibratedFiles {
 public:
  explicit CalibratedFiles(Threads threads);
  ~CalibratedFiles();
  CalibratedFiles(const CalibratedFiles&) = delete;
  CalibratedFiles& operator=(const CalibratedFiles&) = delete;

  /// Whether a frame can be worked on together with those that wait.
  [[nodiscard]] bool fits(const PixelSource& source,
                          const pipeline::Calibration& calibration) const noexcept;
  /// Throws Error(io) when its file cannot be made.
  void add(CalibratedFile file);
  /// Writes all that wait; the ones before them are finished meanwhile. Throws Error(io).
  /// Returns what has become of files that are finished now.
  [[nodiscard]] std::vector<WrittenFile> write();
  /// Finishes the last ones.
  [[nodiscard]] std::vector<WrittenFile> finish();

 private:
  struct Open;
  struct Scratch;
  void write_band(Open& file, int band, Scratch& scratch);
  void commit(Open& file);
  [[nodiscard]] std::vector<WrittenFile> take_finished();

  Threads threads_;
  std::vector<std::unique_ptr<Open>> waiting_, written_;
  std::unique_ptr<Scratch> scratch_;
};

}  // namespace coldframe::session
