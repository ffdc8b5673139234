#include "sensor/local_median.hpp"

#include <algorithm>
#include <array>
#include <limits>

namespace coldframe::sensor {
namespace {

int reflected(int i, int count) noexcept {
  if (count == 1) return 0;
  while (i < 0 || i >= count) i = i < 0 ? -i : 2 * (count - 1) - i;
  return i;
}

// Written so that the compiler turns them into vector minimum and maximum.
inline float lower(float a, float b) noexcept { return b < a ? b : a; }
inline float upper(float a, float b) noexcept { return a < b ? b : a; }
inline float middle_of(float a, float b, float c) noexcept {
  return upper(lower(a, b), lower(upper(a, b), c));
}

void sort_columns(const float* a, const float* b, const float* c, std::size_t count, float* low,
                  float* middle, float* high) noexcept {
  for (std::size_t i = 0; i < count; ++i) {
    low[i] = lower(lower(a[i], b[i]), c[i]);
    middle[i] = middle_of(a[i], b[i], c[i]);
    high[i] = upper(upper(a[i], b[i]), c[i]);
  }
}

/// Median of nine = median of (highest low, median middle, lowest high) of three sorted columns.
void merge_columns(const float* low, const float* middle, const float* high, std::size_t step,
                   std::size_t width, float* result) noexcept {
  for (std::size_t i = 0; i < width; ++i) {
    const float a = upper(upper(low[i], low[i + step]), low[i + 2 * step]);
    const float b = middle_of(middle[i], middle[i + step], middle[i + 2 * step]);
    const float c = lower(lower(high[i], high[i + step]), high[i + 2 * step]);
    result[i] = middle_of(a, b, c);
  }
}

}  // namespace

LocalMedian::LocalMedian(PlaneView<const float> plane, int step) : plane_(plane), step_(step) {
  const auto padded = static_cast<std::size_t>(plane.width() + 2 * step);
  for (auto* row : {&above_, &here_, &below_, &low_, &middle_, &high_}) row->resize(padded);
  result_.resize(static_cast<std::size_t>(plane.width()));
}

void LocalMedian::load(int y, std::vector<float>& padded) const {
  const auto from = plane_.row(reflected(y, plane_.height()));
  constexpr float infinity = std::numeric_limits<float>::infinity();
  const auto step = static_cast<std::size_t>(step_);
  float* const to = padded.data() + step;
  for (std::size_t i = 0; i < from.size(); ++i) {
    const float value = from[i];
    to[i] = value - value == 0.0F ? value : infinity;
  }
  for (int i = 1; i <= step_; ++i) {
    const int width = plane_.width();
    to[-i] = to[reflected(-i, width)];
    to[width - 1 + i] = to[reflected(width - 1 + i, width)];
  }
}

const float* LocalMedian::row(int y) {
  load(y - step_, above_);
  load(y, here_);
  load(y + step_, below_);
  sort_columns(above_.data(), here_.data(), below_.data(), above_.size(), low_.data(),
               middle_.data(), high_.data());
  merge_columns(low_.data(), middle_.data(), high_.data(), static_cast<std::size_t>(step_),
                result_.size(), result_.data());
  return result_.data();
}

float LocalMedian::at(int x, int y) const {
  constexpr float infinity = std::numeric_limits<float>::infinity();
  std::array<std::array<float, 3>, 3> rows{};
  for (int j = 0; j < 3; ++j) {
    const auto from = plane_.row(reflected(y + (j - 1) * step_, plane_.height()));
    for (int i = 0; i < 3; ++i) {
      const int u = reflected(x + (i - 1) * step_, plane_.width());
      const float value = from[static_cast<std::size_t>(u)];
      rows[static_cast<std::size_t>(j)][static_cast<std::size_t>(i)] =
          value - value == 0.0F ? value : infinity;
    }
  }
  std::array<float, 3> low{}, middle{}, high{};
  sort_columns(rows[0].data(), rows[1].data(), rows[2].data(), 3, low.data(), middle.data(),
               high.data());
  float result = 0.0F;
  merge_columns(low.data(), middle.data(), high.data(), 1, 1, &result);
  return result;
}

}  // namespace coldframe::sensor
