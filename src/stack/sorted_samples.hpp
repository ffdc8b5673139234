/// \file
/// One pixel's samples in ascending order, as the order-based rules see them.
#pragma once

#include <algorithm>
#include <cstddef>

namespace coldframe::stack::detail {

/// Survivors are always a run of the sorted samples: [first, last).
struct Kept {
  std::size_t first = 0;
  std::size_t last = 0;
  friend bool operator==(const Kept&, const Kept&) = default;
};

/// Elements `stride` apart (the sorted segment is stored sub by sub).
class SortedSamples {
 public:
  SortedSamples(const float* data, std::size_t count, std::size_t stride) noexcept
      : data_(data), count_(count), stride_(stride) {}
  [[nodiscard]] std::size_t size() const noexcept { return count_; }
  [[nodiscard]] double operator[](std::size_t k) const noexcept {
    return static_cast<double>(data_[k * stride_]);
  }
  /// Median of the samples [first, last), which must not be empty.
  [[nodiscard]] double median(Kept part) const noexcept {
    const std::size_t n = part.last - part.first;
    const double upper = (*this)[part.first + n / 2];
    return n % 2 == 1 ? upper : 0.5 * (upper + (*this)[part.first + n / 2 - 1]);
  }
  /// Median absolute deviation about `centre`, the part's median. The deviations
  /// to both sides are two sorted lists, so the middle one is found by halving.
  [[nodiscard]] double absolute_deviation(Kept part, double centre) const noexcept;
  /// Narrows `part` to the samples within [low, high].
  [[nodiscard]] Kept within(Kept part, double low, double high) const noexcept {
    while (part.first < part.last && (*this)[part.first] < low) ++part.first;
    while (part.first < part.last && (*this)[part.last - 1] > high) --part.last;
    return part;
  }

 private:
  const float* data_;
  std::size_t count_;
  std::size_t stride_;
};

inline double SortedSamples::absolute_deviation(Kept part, double centre) const noexcept {
  const std::size_t n = part.last - part.first;
  const std::size_t left = n / 2;
  const std::size_t right = n - left;
  const std::size_t middle = part.first + left;
  const auto a = [&](std::size_t t) { return centre - (*this)[middle - 1 - t]; };
  const auto b = [&](std::size_t t) { return (*this)[middle + t] - centre; };
  const std::size_t k = (n - 1) / 2;
  // Of the k + 1 smallest deviations, `i` lie on the left side.
  std::size_t lowest = k + 1 > right ? k + 1 - right : 0;
  std::size_t highest = std::min(k + 1, left);
  while (lowest < highest) {
    const std::size_t i = (lowest + highest) / 2;
    if (a(i) < b(k - i)) {
      lowest = i + 1;
    } else {
      highest = i;
    }
  }
  const std::size_t i = lowest;
  double at = i > 0 ? a(i - 1) : b(k - i);
  if (i > 0 && i <= k) at = std::max(at, b(k - i));
  if (n % 2 == 1) return at;
  double next = i < left ? a(i) : b(k + 1 - i);
  if (i < left && k + 1 - i < right) next = std::min(next, b(k + 1 - i));
  return 0.5 * (at + next);
}

}  // namespace coldframe::stack::detail
