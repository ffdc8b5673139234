// Looks over compressed tiles before CFITSIO inflates them: its Rice decoder
// reads on behind the end of a stream that is cut or forged, and its gzip
// decoder asks for more memory for ever.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "coldframe/core/geometry.hpp"
#include "fits/cfitsio_handle.hpp"
#include "fits/compressed.hpp"

namespace coldframe::fits::detail {

/// Whether a Rice stream (White & Becker; FITS 4.0, 10.4.1) holds `pixels` pixels of
/// `sample_bytes` in blocks of `block`, without reading behind its end.
[[nodiscard]] bool rice_stream_is_whole(std::span<const std::byte> stream, int sample_bytes,
                                        int block, std::int64_t pixels) noexcept;

/// Whether a gzip stream ends properly and holds no more than `most` bytes.
[[nodiscard]] bool gzip_stream_is_whole(std::span<const std::byte> stream, std::uint64_t most);

class TileGuard {
 public:
  TileGuard(const Unit& unit, TileShape tile);
  /// Throws Error(input) when a tile that `rect` of `plane` touches would mislead the library.
  void check(const CfitsioHandle& handle, int plane, const Rect& rect);

 private:
  enum class Coding { rice, gzip, plain };
  struct Column {
    int number;
    Coding coding;
  };
  void check_tile(const CfitsioHandle& handle, std::int64_t tile, std::int64_t pixels);
  [[nodiscard]] bool stream_is_whole(const CfitsioHandle& handle, Column column, std::int64_t tile,
                                     std::int64_t pixels);
  Size size_;
  TileShape tile_;
  int sample_bytes_ = 4;
  int block_ = 32;
  std::vector<Column> columns_;  ///< where a tile's bytes may stand
  std::int64_t data_bytes_ = 0;
  std::vector<bool> checked_;
  std::vector<std::byte> stream_;
};

}  // namespace coldframe::fits::detail
