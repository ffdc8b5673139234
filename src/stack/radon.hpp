/// \file
/// Fast discrete Radon transform by doubling (Götz & Druckmüller 1996, Pattern Recognition 29,
/// 711; Brady 1998, SIAM J. Comput. 27, 107), scanned at every length for segments as in
/// Nir, Zackay & Ofek 2018.
#pragma once

#include <cstddef>
#include <memory>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::stack::detail {

/// A picture to search: values with 0 where masked, and 1 or 0 for good or masked.
struct TrailPicture {
  Grid<float> value;
  Grid<float> good;
  [[nodiscard]] int width() const noexcept { return value.width(); }
  [[nodiscard]] int height() const noexcept { return value.height(); }
};

/// A line that rises at most 45 degrees, y = start + slope * x, and the window in
/// which it stood out.
struct LineCandidate {
  double score = 0.0;  ///< sum over the root of the window's usual count, the noise being 1
  double start = 0.0;
  double slope = 0.0;
  int x0 = 0;
  int x1 = 0;
  int lines = 1;  ///< adjacent rows in the sum
};

/// Room for the sums of two neighbouring windows of every width; used again from search to search.
class RadonMemory {
 public:
  void reserve(std::size_t level, std::size_t floats) {
    if (rooms_.size() < 2 * (level + 1)) rooms_.resize(2 * (level + 1));
    for (std::size_t side = 0; side < 2; ++side) {
      Room& room = rooms_[2 * level + side];
      if (room.size >= floats) continue;
      room.floats = std::make_unique_for_overwrite<float[]>(floats);
      room.size = floats;
    }
  }
  [[nodiscard]] float* of(std::size_t level, int block) noexcept {
    return rooms_[2 * level + static_cast<std::size_t>(block % 2)].floats.get();
  }

 private:
  struct Room {
    std::unique_ptr<float[]> floats;
    std::size_t size = 0;
  };
  std::vector<Room> rooms_;
};

/// The best line of every dyadic window and small range of slopes whose score reaches
/// `least`; windows from `shortest` columns on. Lines of 1, 2, 4 and 8 rows are tried.
/// `across` is the same picture with x and y exchanged: its rows are this one's columns.
[[nodiscard]] std::vector<LineCandidate> radon_candidates(const TrailPicture& picture,
                                                          const TrailPicture& across, int shortest,
                                                          double least, RadonMemory& memory);

}  // namespace coldframe::stack::detail
