#include "fits/tile_guard.hpp"

#include <fmt/format.h>
#include <zlib.h>

#include <algorithm>
#include <array>
#include <bit>
#include <new>

namespace coldframe::fits::detail {
namespace {

/// Bits from the most significant end; every step says whether it stayed inside.
class BitWalk {
 public:
  explicit BitWalk(std::span<const std::byte> bytes) noexcept
      : bytes_(bytes), end_(static_cast<std::int64_t>(bytes.size()) * 8) {}

  [[nodiscard]] bool skip(std::int64_t bits) noexcept {
    at_ += bits;
    return at_ <= end_;
  }
  [[nodiscard]] bool read(int bits, unsigned& value) noexcept {
    value = 0;
    if (at_ + bits > end_) return false;
    for (int i = 0; i < bits; ++i, ++at_) value = value << 1U | bit(at_);
    return true;
  }
  /// Over zeros and the one that ends them.
  [[nodiscard]] bool skip_unary() noexcept {
    while (at_ < end_) {
      const auto in_byte = static_cast<unsigned>(at_ & 7);
      const auto rest = static_cast<std::uint8_t>(byte(at_) << in_byte);
      if (rest != 0) {
        at_ += std::countl_zero(rest) + 1;
        return true;
      }
      at_ += 8 - static_cast<std::int64_t>(in_byte);
    }
    return false;
  }

 private:
  [[nodiscard]] unsigned byte(std::int64_t at) const noexcept {
    return std::to_integer<unsigned>(bytes_[static_cast<std::size_t>(at >> 3)]);
  }
  [[nodiscard]] unsigned bit(std::int64_t at) const noexcept {
    return byte(at) >> (7U - static_cast<unsigned>(at & 7)) & 1U;
  }
  std::span<const std::byte> bytes_;
  std::int64_t end_;
  std::int64_t at_ = 0;
};

struct RiceCode {
  int split_bits;    ///< length of a block's head
  int literal_head;  ///< head of a block stored as it is, plus one for the shift by one below
};

RiceCode code_of(int sample_bytes) noexcept {
  switch (sample_bytes) {
    case 1:
      return {3, 6 + 1};
    case 2:
      return {4, 14 + 1};
    default:
      return {5, 25 + 1};
  }
}

}  // namespace

bool rice_stream_is_whole(std::span<const std::byte> stream, int sample_bytes, int block,
                          std::int64_t pixels) noexcept {
  const RiceCode code = code_of(sample_bytes);
  BitWalk walk(stream);
  if (!walk.skip(std::int64_t{sample_bytes} * 8)) return false;
  for (std::int64_t i = 0; i < pixels; i += block) {
    const std::int64_t count = std::min<std::int64_t>(block, pixels - i);
    unsigned head = 0;
    if (!walk.read(code.split_bits, head)) return false;
    const int split = static_cast<int>(head);
    if (split == 0) continue;  // all differences are zero
    if (split == code.literal_head) {
      if (!walk.skip(count * sample_bytes * 8)) return false;
      continue;
    }
    if (split > code.literal_head) return false;
    for (std::int64_t k = 0; k < count; ++k) {
      if (!walk.skip_unary() || !walk.skip(split - 1)) return false;
    }
  }
  return true;
}

bool gzip_stream_is_whole(std::span<const std::byte> stream, std::uint64_t most) {
  z_stream state{};
  constexpr int gzip_window = 15 + 16;
  if (::inflateInit2(&state, gzip_window) != Z_OK) throw std::bad_alloc();
  std::array<Bytef, 1U << 14U> discarded;  // NOLINT: written before it is read
  state.next_in = reinterpret_cast<Bytef*>(
      const_cast<std::byte*>(stream.data()));  // NOLINT: zlib's C interface
  state.avail_in = static_cast<uInt>(stream.size());
  int result = Z_OK;
  while (result == Z_OK && state.total_out <= most) {
    state.next_out = discarded.data();
    state.avail_out = static_cast<uInt>(discarded.size());
    result = ::inflate(&state, Z_NO_FLUSH);
  }
  const bool whole = result == Z_STREAM_END && state.total_out <= most;
  ::inflateEnd(&state);
  return whole;
}

TileGuard::TileGuard(const Unit& unit, TileShape tile) : tile_(tile) {
  size_ = {static_cast<int>(unit.summary.axes[0]), static_cast<int>(unit.summary.axes[1])};
  const bool rice = unit.cards.text("ZCMPTYPE").value_or("").starts_with("RICE");
  const int bitpix = unit.summary.bitpix;
  sample_bytes_ = bitpix == 8 ? 1 : bitpix == 16 ? 2 : 4;
  block_ = static_cast<int>(unit.cards.integer("ZVAL1").value_or(32));
  data_bytes_ = static_cast<std::int64_t>(unit.data_bytes);
  const auto count = static_cast<int>(unit.cards.integer("TFIELDS").value_or(0));
  for (int i = 1; i <= count; ++i) {
    const auto name = unit.cards.text(fmt::format("TTYPE{}", i)).value_or("");
    if (same_name(name, "COMPRESSED_DATA")) {
      columns_.push_back({i, rice ? Coding::rice : Coding::gzip});
    } else if (same_name(name, "GZIP_COMPRESSED_DATA")) {
      columns_.push_back({i, Coding::gzip});
    } else if (same_name(name, "UNCOMPRESSED_DATA")) {
      columns_.push_back({i, Coding::plain});
    }
  }
  checked_.resize(static_cast<std::size_t>(unit.cards.integer("NAXIS2").value_or(0)), false);
}

void TileGuard::check(const CfitsioHandle& handle, int plane, const Rect& rect) {
  const std::int64_t across = (size_.width + tile_.width - 1) / tile_.width;
  const std::int64_t down = (size_.height + tile_.height - 1) / tile_.height;
  const std::int64_t layer = plane / tile_.depth;
  const std::int64_t depth = std::min(tile_.depth, tile_.planes - layer * tile_.depth);
  for (std::int64_t v = rect.y0 / tile_.height; v * tile_.height < rect.y1; ++v) {
    for (std::int64_t u = rect.x0 / tile_.width; u * tile_.width < rect.x1; ++u) {
      // Tiles at the far edges are cut to the image.
      const std::int64_t width = std::min(tile_.width, size_.width - u * tile_.width);
      const std::int64_t height = std::min(tile_.height, size_.height - v * tile_.height);
      check_tile(handle, (layer * down + v) * across + u, width * height * depth);
    }
  }
}

void TileGuard::check_tile(const CfitsioHandle& handle, std::int64_t tile, std::int64_t pixels) {
  const auto index = static_cast<std::size_t>(tile);
  if (index < checked_.size() && checked_[index]) return;
  const bool whole = index < checked_.size() &&
                     std::all_of(columns_.begin(), columns_.end(), [&](const Column& column) {
                       return stream_is_whole(handle, column, tile, pixels);
                     });
  if (!whole) handle.check(DATA_DECOMPRESSION_ERR, "a compressed tile does not inflate");
  checked_[index] = true;
}

bool TileGuard::stream_is_whole(const CfitsioHandle& handle, Column column, std::int64_t tile,
                                std::int64_t pixels) {
  LONGLONG length = 0;
  LONGLONG offset = 0;
  int status = 0;
  fits_read_descriptll(handle.get(), column.number, tile + 1, &length, &offset, &status);
  if (status != 0 || length < 0 || offset < 0 || length > data_bytes_ || offset > data_bytes_) {
    return false;
  }
  if (length == 0) return true;  // the tile stands in another column
  if (column.coding == Coding::plain) return length == pixels;
  stream_.resize(static_cast<std::size_t>(length));
  int any = 0;
  fits_read_col(handle.get(), TBYTE, column.number, tile + 1, 1, length, nullptr, stream_.data(),
                &any, &status);
  if (status != 0) return false;
  if (column.coding == Coding::rice) {
    return rice_stream_is_whole(stream_, sample_bytes_, block_, pixels);
  }
  constexpr std::uint64_t widest_sample = 8;
  return gzip_stream_is_whole(stream_, static_cast<std::uint64_t>(pixels) * widest_sample);
}

}  // namespace coldframe::fits::detail
