/// \file
/// Reading images from FITS files: plain, tile-compressed (`.fz`), gzipped.
///
/// Names go to the file library only through its disk-file calls, so brackets,
/// blanks and colons in a name are just a name; existence is checked first.
/// Every broken promise of a file (size, type, tiles that do not inflate) is
/// a coldframe::Error of kind `input` that names the file, the fault and the mend.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/header.hpp"
#include "coldframe/core/pixel_source.hpp"

namespace coldframe::fits {

/// One header-data unit as found.
struct HduSummary {
  enum class Kind { image, ascii_table, binary_table };
  int number = 0;  ///< 0 = primary
  Kind kind = Kind::image;
  std::string name;  ///< EXTNAME
  int bitpix = 0;    ///< of the (uncompressed) image
  std::vector<std::int64_t> axes;
  bool compressed = false;
};

/// All units of a file, in order.
[[nodiscard]] std::vector<HduSummary> list_hdus(const std::filesystem::path& path);

/// The cards of one unit as they stand (structural ones included, END not).
[[nodiscard]] Header read_header(const std::filesystem::path& path, int hdu);

/// An image ready to be read by rectangles; physical values BZERO + BSCALE * stored.
/// Accepts 8/16/32/64-bit integers and 32/64-bit floats, 2 axes or 3 with 1 or
/// 3 planes (further axes of length 1 are ignored). Concurrent `fill`s are safe.
class ImageFile : public PixelSource {
 public:
  /// Opens the named extension, or, without a name, the first unit that holds an image.
  [[nodiscard]] static std::unique_ptr<ImageFile> open(const std::filesystem::path& path,
                                                       const std::string& extension = {});
  ~ImageFile() override;
  ImageFile(const ImageFile&) = delete;
  ImageFile& operator=(const ImageFile&) = delete;

  [[nodiscard]] Size size() const noexcept override;
  [[nodiscard]] int planes() const noexcept override;
  void fill(int plane, const Rect& rect, PlaneView<float> values) const override;

  [[nodiscard]] const std::filesystem::path& path() const noexcept;
  [[nodiscard]] const Header& header() const noexcept;
  [[nodiscard]] const FrameInfo& info() const noexcept;
  /// True when a rectangle costs about its share of the file: false for gzipped
  /// files (the whole file was inflated at opening) and for compressed tiles
  /// that are not single rows.
  [[nodiscard]] bool cheap_regions() const noexcept;
  /// Bytes of memory held while open (inflated gzip content), 0 for plain files.
  [[nodiscard]] std::size_t resident_bytes() const noexcept;
  /// True when the samples are plain 16-bit integers with BSCALE 1 and BZERO 0 or 32768.
  [[nodiscard]] bool has_codes16() const noexcept;

 private:
  struct State;
  explicit ImageFile(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

/// Identity of a file's content for caches: size, modification time and a
/// 64-bit digest of the bytes, as one text. Reads the whole file.
[[nodiscard]] std::string content_key(const std::filesystem::path& path);
/// The cheap part of it: size and modification time.
[[nodiscard]] std::string stat_key(const std::filesystem::path& path);

}  // namespace coldframe::fits
