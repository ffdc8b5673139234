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

/// Room for the sums of windows; used again from search to search.
class RadonMemory {
 public:
  void reserve(std::size_t index, std::size_t floats) {
    if (rooms_.size() <= index) rooms_.resize(index + 1);
    Room& room = rooms_[index];
    if (room.size >= floats) return;
    room.floats = std::make_unique_for_overwrite<float[]>(floats);
    room.size = floats;
  }
  [[nodiscard]] float* room(std::size_t index) noexcept { return rooms_[index].floats.get(); }

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
