/// \file
/// Pixel storage: `PlaneView` (non-owning), `Grid` (owning, one plane of any
/// type), `Image` (1 or 3 planes of float32) and `Mask` (bits per pixel).
///
/// Shape rules, stated once and checked at construction: width and height
/// >= 0, pitch >= width, rows `pitch` elements apart. Owning rows start on
/// 64-byte boundaries so that vector loads never straddle rows by accident.
#pragma once

#include <cassert>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <span>
#include <type_traits>

#include "coldframe/core/geometry.hpp"

namespace coldframe {

/// A rectangular window on pixels that somebody else owns.
template <typename T>
class PlaneView {
 public:
  PlaneView() = default;
  PlaneView(T* data, int width, int height, std::ptrdiff_t pitch) noexcept
      : data_(data), width_(width), height_(height), pitch_(pitch) {
    assert(width >= 0 && height >= 0 && pitch >= width);
  }
  /// Read-only view of a writable one.
  template <typename U>
  requires(std::is_same_v<const U, T> && !std::is_const_v<U>) PlaneView(const PlaneView<U>& other)
  noexcept  // NOLINT(google-explicit-constructor)
      : data_(other.data()),
        width_(other.width()),
        height_(other.height()),
        pitch_(other.pitch()) {}

  [[nodiscard]] T* data() const noexcept { return data_; }
  [[nodiscard]] int width() const noexcept { return width_; }
  [[nodiscard]] int height() const noexcept { return height_; }
  [[nodiscard]] std::ptrdiff_t pitch() const noexcept { return pitch_; }
  [[nodiscard]] Size size() const noexcept { return {width_, height_}; }
  [[nodiscard]] bool empty() const noexcept { return width_ == 0 || height_ == 0; }

  [[nodiscard]] std::span<T> row(int y) const noexcept {
    assert(y >= 0 && y < height_);
    return {data_ + pitch_ * y, static_cast<std::size_t>(width_)};
  }
  [[nodiscard]] T& operator()(int x, int y) const noexcept {
    assert(x >= 0 && x < width_ && y >= 0 && y < height_);
    return data_[pitch_ * y + x];
  }
  /// The part inside `rect`, which must lie within this view.
  [[nodiscard]] PlaneView crop(const Rect& rect) const noexcept {
    assert(whole(size()).contains(rect) && !rect.empty());
    return {data_ + pitch_ * rect.y0 + rect.x0, rect.width(), rect.height(), pitch_};
  }

 private:
  T* data_ = nullptr;
  int width_ = 0;
  int height_ = 0;
  std::ptrdiff_t pitch_ = 0;
};

namespace detail {
/// Bytes of `height` rows of `pitch` elements; throws coldframe::Error(usage) when
/// a side is negative or the product does not fit.
[[nodiscard]] std::size_t checked_bytes(int width, int height, std::size_t pitch,
                                        std::size_t element);
[[nodiscard]] void* allocate_aligned(std::size_t bytes);  // throws std::bad_alloc
struct AlignedDelete {
  void operator()(void* p) const noexcept;
};
inline constexpr std::size_t alignment = 64;
}  // namespace detail

/// One owning plane: aligned, zero-initialised, move-only (copies of pixels are always explicit).
template <typename T>
class Grid {
  static_assert(std::is_trivially_copyable_v<T>);

 public:
  Grid() = default;
  Grid(int width, int height)
      : width_(width),
        height_(height),
        pitch_(padded(width)),
        data_(static_cast<T*>(detail::allocate_aligned(
            detail::checked_bytes(width, height, static_cast<std::size_t>(pitch_), sizeof(T))))) {}
  Grid(int width, int height, T value) : Grid(width, height) { fill(value); }
  explicit Grid(Size size) : Grid(size.width, size.height) {}
  Grid(Size size, T value) : Grid(size.width, size.height, value) {}

  [[nodiscard]] int width() const noexcept { return width_; }
  [[nodiscard]] int height() const noexcept { return height_; }
  [[nodiscard]] Size size() const noexcept { return {width_, height_}; }
  [[nodiscard]] bool empty() const noexcept { return width_ == 0 || height_ == 0; }
  [[nodiscard]] PlaneView<T> view() noexcept { return {data_.get(), width_, height_, pitch_}; }
  [[nodiscard]] PlaneView<const T> view() const noexcept {
    return {data_.get(), width_, height_, pitch_};
  }
  [[nodiscard]] PlaneView<const T> cview() const noexcept { return view(); }
  [[nodiscard]] std::span<T> row(int y) noexcept { return view().row(y); }
  [[nodiscard]] std::span<const T> row(int y) const noexcept { return view().row(y); }
  [[nodiscard]] T& operator()(int x, int y) noexcept { return view()(x, y); }
  [[nodiscard]] const T& operator()(int x, int y) const noexcept { return view()(x, y); }
  void fill(T value) noexcept {
    for (int y = 0; y < height_; ++y) {
      for (T& element : row(y)) element = value;
    }
  }
  [[nodiscard]] Grid clone() const {
    Grid copy(width_, height_);
    for (int y = 0; y < height_; ++y) {
      const auto from = row(y);
      const auto to = copy.row(y);
      for (std::size_t i = 0; i < from.size(); ++i) to[i] = from[i];
    }
    return copy;
  }

 private:
  static std::ptrdiff_t padded(int width) noexcept {
    constexpr std::size_t step =
        detail::alignment / sizeof(T) > 0 ? detail::alignment / sizeof(T) : 1;
    const auto n = static_cast<std::size_t>(width > 0 ? width : 0);
    return static_cast<std::ptrdiff_t>((n + step - 1) / step * step);
  }
  int width_ = 0;
  int height_ = 0;
  std::ptrdiff_t pitch_ = 0;
  std::unique_ptr<T[], detail::AlignedDelete> data_;
};

/// Planar float32 picture with 1 (mono) or 3 (red, green, blue) planes of one size.
class Image {
 public:
  Image() = default;
  /// Throws coldframe::Error(usage) unless planes is 1 or 3.
  Image(Size size, int planes);

  [[nodiscard]] Size size() const noexcept { return planes_[0].size(); }
  [[nodiscard]] int width() const noexcept { return size().width; }
  [[nodiscard]] int height() const noexcept { return size().height; }
  [[nodiscard]] int planes() const noexcept { return count_; }
  [[nodiscard]] bool empty() const noexcept { return count_ == 0; }
  [[nodiscard]] PlaneView<float> plane(int p) noexcept {
    assert(p >= 0 && p < count_);
    return planes_[p].view();
  }
  [[nodiscard]] PlaneView<const float> plane(int p) const noexcept {
    assert(p >= 0 && p < count_);
    return planes_[p].view();
  }
  [[nodiscard]] Image clone() const;

 private:
  Grid<float> planes_[3];
  int count_ = 0;
};

/// One byte of `mask_bit`s per pixel; 0 = good.
using Mask = Grid<std::uint8_t>;

/// What can be wrong with a pixel (bits of `Mask` and of the FLAGS extension).
namespace mask_bit {
inline constexpr std::uint8_t defect =
    1;  ///< hot, cold or unstable; value repaired from neighbours
inline constexpr std::uint8_t saturated = 2;    ///< at or above the saturation level
inline constexpr std::uint8_t cosmic_ray = 4;   ///< hit by a particle
inline constexpr std::uint8_t trail = 8;        ///< crossed by a satellite, aircraft or meteor
inline constexpr std::uint8_t outside = 16;     ///< no data here: beyond the frame's edge
inline constexpr std::uint8_t not_finite = 32;  ///< the input held NaN, infinity or BLANK
/// Bits that bar a sample from combining (a repaired defect is barred too).
inline constexpr std::uint8_t unusable =
    defect | saturated | cosmic_ray | trail | outside | not_finite;
}  // namespace mask_bit

}  // namespace coldframe
