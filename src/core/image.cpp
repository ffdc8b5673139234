#include "coldframe/core/image.hpp"

#include <cstdlib>
#include <cstring>
#include <limits>
#include <new>

#include "coldframe/core/error.hpp"

namespace coldframe {
namespace detail {

std::size_t checked_bytes(int width, int height, std::size_t pitch, std::size_t element) {
  if (width < 0 || height < 0) {
    throw Error(ErrorKind::usage, "", "an image side is negative", "give sizes of at least 0");
  }
  const auto rows = static_cast<std::size_t>(height);
  constexpr auto limit = std::numeric_limits<std::size_t>::max() / 2;
  if (pitch != 0 && (rows > limit / pitch || rows * pitch > limit / element)) {
    throw Error(ErrorKind::usage, "", "an image of this size does not fit in memory",
                "use a smaller image");
  }
  return rows * pitch * element;
}

void* allocate_aligned(std::size_t bytes) {
  if (bytes == 0) return nullptr;
  const std::size_t rounded = (bytes + alignment - 1) / alignment * alignment;
  void* memory = std::aligned_alloc(alignment, rounded);
  if (memory == nullptr) throw std::bad_alloc();
  std::memset(memory, 0, rounded);
  return memory;
}

void AlignedDelete::operator()(void* p) const noexcept { std::free(p); }

}  // namespace detail

Image::Image(Size size, int planes) : count_(planes) {
  if (planes != 1 && planes != 3) {
    throw Error(ErrorKind::usage, "", "an image has 1 or 3 planes", "");
  }
  for (int p = 0; p < planes; ++p) planes_[p] = Grid<float>(size);
}

Image Image::clone() const {
  Image copy;
  copy.count_ = count_;
  for (int p = 0; p < count_; ++p) copy.planes_[p] = planes_[p].clone();
  return copy;
}

}  // namespace coldframe
