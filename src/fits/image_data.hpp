// The two ways to the pixels of an image: reading the bytes and decoding them
// here (plain and inflated files), or asking CFITSIO (compressed tiles).
#pragma once

#include <filesystem>
#include <memory>

#include "coldframe/core/image.hpp"
#include "fits/cfitsio_handle.hpp"
#include "fits/decode.hpp"
#include "fits/tile_guard.hpp"

namespace coldframe::fits::detail {

class ImageData {
 public:
  virtual ~ImageData() = default;
  virtual void fill(int plane, const Rect& rect, PlaneView<float> values) const = 0;
  [[nodiscard]] virtual std::size_t resident_bytes() const noexcept { return 0; }
};

/// Samples in a row-major block that starts at `offset` of `bytes`.
[[nodiscard]] std::unique_ptr<ImageData> plain_data(std::unique_ptr<ByteSource> bytes,
                                                    std::uint64_t offset, Size size,
                                                    const SampleFormat& format);

struct CompressedLayout {
  std::filesystem::path path;
  Size size;
  int axes = 2;  ///< of the stored image, trailing ones included
  int tile_height = 1;
};
/// `watch` (may be null) is asked before every read whether the file is still the same.
[[nodiscard]] std::unique_ptr<ImageData> compressed_data(CfitsioHandle handle,
                                                         std::unique_ptr<ByteSource> watch,
                                                         CompressedLayout layout, TileGuard guard);

}  // namespace coldframe::fits::detail
