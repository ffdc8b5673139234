#include "fits/image_data.hpp"

#include <algorithm>
#include <array>
#include <limits>
#include <memory>
#include <mutex>
#include <utility>
#include <vector>

namespace coldframe::fits::detail {
namespace {

class PlainData final : public ImageData {
 public:
  PlainData(std::unique_ptr<ByteSource> bytes, std::uint64_t offset, Size size,
            const SampleFormat& format)
      : bytes_(std::move(bytes)), offset_(offset), size_(size), format_(format) {}

  void fill(int plane, const Rect& rect, PlaneView<float> values) const override {
    const auto sample = format_.bytes();
    const auto row = sample * static_cast<std::size_t>(size_.width);
    const auto wanted = sample * static_cast<std::size_t>(rect.width());
    // Neighbouring rows in one read when the rectangle takes most of each.
    const bool together = 4 * wanted >= row;
    const std::size_t rows =
        together
            ? std::clamp<std::size_t>(chunk_bytes / row, 1, static_cast<std::size_t>(rect.height()))
            : 1;
    // Not zeroed: every byte is read.
    const std::size_t room = (rows - 1) * row + wanted;
    const auto raw = std::make_unique_for_overwrite<std::byte[]>(room);
    for (int y = rect.y0; y < rect.y1;) {
      const int count = std::min(static_cast<int>(rows), rect.y1 - y);
      const auto length = static_cast<std::size_t>(count - 1) * row + wanted;
      bytes_->read(position(plane, rect.x0, y), std::span(raw.get(), length));
      for (int k = 0; k < count; ++k) {
        decode_samples(format_, raw.get() + static_cast<std::size_t>(k) * row,
                       values.row(y - rect.y0 + k).data(), static_cast<std::size_t>(rect.width()));
      }
      y += count;
    }
  }
  [[nodiscard]] std::size_t resident_bytes() const noexcept override {
    return bytes_->gzipped() ? static_cast<std::size_t>(bytes_->known_size()) : 0;
  }

 private:
  static constexpr std::size_t chunk_bytes = std::size_t{1} << 18U;  // stays in the L2 cache

  [[nodiscard]] std::uint64_t position(int plane, int x, int y) const noexcept {
    const auto sample = (std::int64_t{plane} * size_.height + y) * size_.width + x;
    return offset_ + static_cast<std::uint64_t>(sample) * format_.bytes();
  }
  std::unique_ptr<ByteSource> bytes_;
  std::uint64_t offset_;
  Size size_;
  SampleFormat format_;
};

class CompressedData final : public ImageData {
 public:
  CompressedData(CfitsioHandle handle, std::unique_ptr<ByteSource> watch, CompressedLayout layout,
                 TileGuard guard)
      : handle_(std::move(handle)),
        watch_(std::move(watch)),
        layout_(std::move(layout)),
        guard_(std::move(guard)) {}

  void fill(int plane, const Rect& rect, PlaneView<float> values) const override {
    if (watch_) watch_->check_unchanged();
    const std::scoped_lock lock(mutex_);
    // Bands end at tile boundaries, so no tile is inflated twice for one rectangle.
    constexpr int usual_rows = 64;
    const int step = layout_.tile_height * std::max(1, usual_rows / layout_.tile_height);
    const auto width = static_cast<std::size_t>(rect.width());
    for (int y = rect.y0; y < rect.y1;) {
      const int end = std::min(rect.y1, (y / step + 1) * step);
      const auto rows = static_cast<std::size_t>(end - y);
      if (values.pitch() == values.width()) {
        read(plane, {rect.x0, y, rect.x1, end}, values.row(y - rect.y0).data());
      } else {
        scratch_.resize(rows * width);
        read(plane, {rect.x0, y, rect.x1, end}, scratch_.data());
        for (std::size_t k = 0; k < rows; ++k) {
          std::copy_n(scratch_.data() + k * width, width,
                      values.row(y - rect.y0 + static_cast<int>(k)).data());
        }
      }
      y = end;
    }
  }
  [[nodiscard]] std::size_t resident_bytes() const noexcept override {
    return handle_.resident_bytes();
  }

 private:
  void read(int plane, const Rect& rect, float* out) const {
    guard_.check(handle_, plane, rect);
    constexpr std::size_t most_axes = 9;
    std::array<long, most_axes> first{};
    std::array<long, most_axes> last{};
    std::array<long, most_axes> step{};
    first.fill(1);
    last.fill(1);
    step.fill(1);
    first[0] = rect.x0 + 1;
    first[1] = rect.y0 + 1;
    last[0] = rect.x1;
    last[1] = rect.y1;
    if (layout_.axes > 2) first[2] = last[2] = plane + 1;
    float blank = std::numeric_limits<float>::quiet_NaN();
    int any = 0;
    int status = 0;
    fits_read_subset(handle_.get(), TFLOAT, first.data(), last.data(), step.data(), &blank, out,
                     &any, &status);
    handle_.check(status, "a compressed tile does not inflate");
  }

  CfitsioHandle handle_;
  std::unique_ptr<ByteSource> watch_;
  CompressedLayout layout_;
  mutable std::mutex mutex_;
  mutable TileGuard guard_;
  mutable std::vector<float> scratch_;
};

}  // namespace

std::unique_ptr<ImageData> plain_data(std::unique_ptr<ByteSource> bytes, std::uint64_t offset,
                                      Size size, const SampleFormat& format) {
  return std::make_unique<PlainData>(std::move(bytes), offset, size, format);
}

std::unique_ptr<ImageData> compressed_data(CfitsioHandle handle, std::unique_ptr<ByteSource> watch,
                                           CompressedLayout layout, TileGuard guard) {
  return std::make_unique<CompressedData>(std::move(handle), std::move(watch), std::move(layout),
                                          std::move(guard));
}

}  // namespace coldframe::fits::detail
