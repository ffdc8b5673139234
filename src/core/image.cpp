#include "coldframe/core/image.hpp"

#if defined(__linux__) && !defined(__SANITIZE_ADDRESS__)
#if !defined(__has_feature)
#define COLDFRAME_MAP_LARGE
#elif !__has_feature(address_sanitizer) && !__has_feature(thread_sanitizer)
#define COLDFRAME_MAP_LARGE
#endif
#endif

#ifdef COLDFRAME_MAP_LARGE
#include <sys/mman.h>
#endif

#include <cstddef>
#include <cstdint>
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

namespace {

/// Lies in the cache line before the pixels.
struct BlockHead {
  void* base = nullptr;
  std::size_t mapped = 0;  ///< bytes to unmap; 0 = from the allocator
};
static_assert(sizeof(BlockHead) <= alignment);

void* behind_head(void* base, std::size_t gap, std::size_t mapped) noexcept {
  auto* const pixels = static_cast<std::byte*>(base) + gap;
  new (pixels - alignment) BlockHead{base, mapped};
  return pixels;
}

#ifdef COLDFRAME_MAP_LARGE
constexpr std::size_t large_page = std::size_t{1} << 21;
/// From here on pages come fresh from the system, zero already and large where it grants that:
/// a picture costs a few page faults instead of thousands, and goes back when freed.
constexpr std::size_t mapped_from = 2 * large_page;

void* map_large(std::size_t bytes) noexcept {
  const std::size_t all = bytes + large_page + alignment;
  void* const base = mmap(nullptr, all, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
  if (base == MAP_FAILED) return nullptr;
  const auto address = reinterpret_cast<std::uintptr_t>(base);
  const std::uintptr_t pixels = (address + alignment + large_page - 1) / large_page * large_page;
  // Advice only: refused, it costs nothing but speed. The head's page stays a small one.
  static_cast<void>(madvise(reinterpret_cast<void*>(pixels), bytes, MADV_HUGEPAGE));
  return behind_head(base, pixels - address, all);
}
#endif

}  // namespace

void* allocate_aligned(std::size_t bytes) {
  if (bytes == 0) return nullptr;
#ifdef COLDFRAME_MAP_LARGE
  if (bytes >= mapped_from) {
    if (void* const pixels = map_large(bytes)) return pixels;
  }
#endif
  const std::size_t rounded = (bytes + alignment - 1) / alignment * alignment + alignment;
  void* const base = std::aligned_alloc(alignment, rounded);
  if (base == nullptr) throw std::bad_alloc();
  std::memset(base, 0, rounded);
  return behind_head(base, alignment, 0);
}

void AlignedDelete::operator()(void* p) const noexcept {
  if (p == nullptr) return;
  const BlockHead head = *std::launder(
      reinterpret_cast<const BlockHead*>(static_cast<const std::byte*>(p) - alignment));
#ifdef COLDFRAME_MAP_LARGE
  if (head.mapped > 0) {
    munmap(head.base, head.mapped);
    return;
  }
#endif
  std::free(head.base);
}

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
