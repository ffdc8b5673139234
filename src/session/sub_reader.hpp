// Opening subs for the passes: files with cheap regions are opened anew per
// tile, so that open files stay few; whole-file compressed ones stay in memory while that fits.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/pixel_source.hpp"

namespace coldframe::session {

/// `info` tells of overscan and trimming. `stay_open`: opened at the first call and shared from
/// then on. `stamp`: fits::stat_key of the file as it was measured (empty: not looked at); opening
/// a file that has another one throws Error(input).
[[nodiscard]] std::function<std::shared_ptr<const PixelSource>()> sub_opener(
    std::filesystem::path path, const FrameInfo& info, bool stay_open, std::string stamp);

/// Decoded copies of compressed frames in a scratch folder; removed with the object.
class ScratchCopies {
 public:
  explicit ScratchCopies(std::filesystem::path folder);
  ~ScratchCopies();
  ScratchCopies(ScratchCopies&&) noexcept = default;
  ScratchCopies& operator=(ScratchCopies&&) = delete;
  /// Writes the frame's pixels as a plain FITS file and returns its path.
  [[nodiscard]] std::filesystem::path decode(const std::filesystem::path& frame);

 private:
  std::filesystem::path folder_;
  std::vector<std::filesystem::path> copies_;
};

}  // namespace coldframe::session
