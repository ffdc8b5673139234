/// \file
/// Fast discrete Radon transform by doubling (Götz & Druckmüller 1996, Pattern Recognition 29,
/// 711; Brady 1998, SIAM J. Comput. 27, 107), scanned at every length for segments as in
/// Nir, Zackay & Ofek 2018.
#pragma once

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

/// The best line of every dyadic window and small range of slopes whose score reaches
/// `least`; windows from `shortest` columns on. Lines of 1, 2, 4 and 8 rows are tried.
[[nodiscard]] std::vector<LineCandidate> radon_candidates(const TrailPicture& picture, int shortest,
                                                          double least);

}  // namespace coldframe::stack::detail
