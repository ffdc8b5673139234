#include "radon.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <span>

#include "radon_kernel.hpp"

namespace coldframe::stack::detail {
namespace {

/// Line sums of one window of `width` columns, a power of two. A line that rises by `rise`
/// (between -(width-1) and width-1) and starts at row y0 is kept at index
/// y0 + max(rise, 0); rows from which the line enters the picture later are included.
struct Window {
  int width = 1;
  std::size_t stride = 0;
  const float* sums = nullptr;  ///< unset beyond the picture
  [[nodiscard]] std::size_t place(int rise) const noexcept {
    return static_cast<std::size_t>(rise + width - 1) * stride;
  }
  [[nodiscard]] const float* line(int rise) const noexcept {
    return sums != nullptr ? sums + place(rise) : nullptr;
  }
};

std::size_t stride_of(int width, int rows) noexcept {
  return static_cast<std::size_t>(rows + width);
}

/// out = left half + right half, of one line for all starts. `g` is the rise of either half,
/// `h` that of the whole; both >= 0, or mirrored for falling lines.
void join(const float* left, const float* right, int rows, int g, int h, bool falling,
          float* out) noexcept {
  // Index of `out` is y0 + h (rising) or y0 (falling). One half comes to lie `shift` entries
  // after the other: the left one for rising lines, the right one for falling lines.
  const int shift = h - g;
  const int half = rows + g;
  const float* early = falling ? left : right;
  const float* late = falling ? right : left;
  const int size = half + shift;
  const int overlap = half > shift ? half - shift : 0;
  if (early == nullptr || late == nullptr) {
    const float* only = early != nullptr ? early : late;
    const int from = early != nullptr ? 0 : shift;
    std::fill(out, out + size, 0.0F);
    std::copy(only, only + half, out + from);
    return;
  }
  std::copy(early, early + std::min(shift, half), out);
  if (shift > half) std::fill(out + half, out + shift, 0.0F);
  add(early + shift, late, static_cast<std::size_t>(overlap), out + shift);
  std::copy(late + overlap, late + half, out + shift + overlap);
}

/// The highest sum of one line, and of 2, 4 and 8 adjacent ones, each over the root of its number.
struct Best {
  float score = 0.0F;
  int index = 0;
  int lines = 1;
};

constexpr std::array<float, 4> share{1.0F, 0.70710678F, 0.5F, 0.35355339F};

/// Where the sum of `lines` rows is highest.
int locate(const float* value, int size, int lines) noexcept {
  int where = 0;
  float most = 0.0F;
  for (int i = 0; i + lines <= size; ++i) {
    float sum = 0.0F;
    for (int k = 0; k < lines; ++k) sum += value[i + k];
    if (sum > most) {
      most = sum;
      where = i;
    }
  }
  return where;
}

Best scan(const float* value, int size, float beat, std::span<float> work) noexcept {
  Best best{beat, -1, 1};
  if (size < 8) return best;
  const auto top = highest_sums(value, static_cast<std::size_t>(size), work.data());
  for (std::size_t w = 0; w < share.size(); ++w) {
    const float score = top[w] * share[w];
    if (score > best.score) best = {score, 0, 1 << w};
  }
  best.index = best.score > beat ? locate(value, size, best.lines) : -1;
  return best;
}

/// Sums up windows half by half, depth first: the halves of small windows stay near the processor.
class RadonTransform {
 public:
  RadonTransform(const TrailPicture& picture, const TrailPicture& across, int shortest,
                 double least, RadonMemory& memory)
      : across_(across),
        columns_(picture.width()),
        rows_(picture.height()),
        shortest_(shortest),
        least_(least),
        memory_(memory) {
    while (width_of(levels_) < columns_) ++levels_;
    found_.resize(levels_ + 1);
    count_good();
    for (std::size_t level = 1; level < levels_; ++level) {
      const int width = width_of(level);
      memory_.reserve(level, static_cast<std::size_t>(2 * width - 1) * stride_of(width, rows_));
    }
    value_.resize(stride_of(width_of(levels_), rows_));
    work_.resize(value_.size());
  }
  /// Windows from narrow to broad, from left to right.
  std::vector<LineCandidate> run() {
    build(levels_, 0);
    std::vector<LineCandidate> all;
    for (const auto& some : found_) all.insert(all.end(), some.begin(), some.end());
    return all;
  }

 private:
  [[nodiscard]] static int width_of(std::size_t level) noexcept { return 1 << level; }

  void count_good() {
    good_.assign(static_cast<std::size_t>(columns_) + 1, 0.0);
    for (int x = 0; x < columns_; ++x) {
      int good = 0;
      for (const float g : across_.good.row(x)) good += g != 0.0F ? 1 : 0;
      good_[static_cast<std::size_t>(x) + 1] = good_[static_cast<std::size_t>(x)] + good;
    }
  }

  /// Noise of one line's sum in this window: the root of its good pixels, on average.
  [[nodiscard]] double sum_unit(int x0, int x1) const noexcept {
    const double good = good_[static_cast<std::size_t>(x1)] - good_[static_cast<std::size_t>(x0)];
    return std::sqrt(std::max(good / std::max(rows_, 1), 8.0));
  }

  struct Pair {
    Window left;
    Window right;
    Window whole;
    float* out = nullptr;  ///< where `whole` is kept, if it is
  };

  Window build(std::size_t level, int block) {
    const int width = width_of(level);
    if (block * width >= columns_) return {width, 0, nullptr};
    if (level == 0) return {1, 0, across_.value.row(block).data()};
    const Window left = build(level - 1, 2 * block);
    const Window right = build(level - 1, 2 * block + 1);
    float* out = level < levels_ ? memory_.of(level, block) : nullptr;
    const Pair pair{left, right, {width, stride_of(width, rows_), out}, out};
    if (width >= shortest_) {
      scan_lines(pair, level, block);
    } else {
      for (int rise = 1 - width; rise < width; ++rise) sum_line(pair, rise);
    }
    return pair.whole;
  }

  /// A line of the whole, kept there or in `value_`.
  const float* sum_line(const Pair& pair, int rise) {
    const int h = rise < 0 ? -rise : rise;
    const int g = h / 2;
    const int half_rise = rise < 0 ? -g : g;
    float* out = pair.out != nullptr ? pair.out + pair.whole.place(rise) : value_.data();
    join(pair.left.line(half_rise), pair.right.line(half_rise), rows_, g, h, rise < 0, out);
    return out;
  }

  void scan_lines(const Pair& pair, std::size_t level, int block) {
    constexpr int slopes_together = 16;
    const int width = pair.whole.width;
    // The last window reaches beyond the picture: its slopes lie closer than they need to.
    const int step = level == levels_ && 4 * width >= 5 * columns_ ? 2 : 1;
    const int x0 = block * width;
    const int x1 = std::min(x0 + width, columns_);
    const double unit = sum_unit(x0, x1);
    LineCandidate best;
    int together = 0;
    for (int rise = 1 - width; rise < width; rise += step) {
      const float* value = sum_line(pair, rise);
      const double slope = static_cast<double>(rise) / static_cast<double>(width - 1);
      consider({0.0, 0.0, slope, x0, x1, 1}, rise, value, unit, best);
      if (++together < slopes_together && rise + step < width) continue;
      if (best.score > 0.0) found_[level].push_back(best);
      best = {};
      together = 0;
    }
  }

  void consider(LineCandidate line, int rise, const float* value, double unit,
                LineCandidate& best) {
    const int h = rise > 0 ? rise : -rise;
    const auto beat = static_cast<float>(std::max(least_, best.score) * unit);
    const Best b = scan(value, rows_ + h, beat, work_);
    if (b.index < 0) return;
    const double y0 = b.index - std::max(rise, 0) + 0.5 * (b.lines - 1);
    line.score = static_cast<double>(b.score) / unit;
    line.start = y0 - line.slope * line.x0;
    line.lines = b.lines;
    best = line;
  }

  const TrailPicture& across_;
  int columns_;
  int rows_;
  int shortest_;
  double least_;
  RadonMemory& memory_;
  std::size_t levels_ = 0;  ///< the last one is scanned only, not kept
  std::vector<std::vector<LineCandidate>> found_;
  std::vector<double> good_;  ///< pixels left of a column
  std::vector<float> value_;
  std::vector<float> work_;
};

}  // namespace

std::vector<LineCandidate> radon_candidates(const TrailPicture& picture, const TrailPicture& across,
                                            int shortest, double least, RadonMemory& memory) {
  if (picture.width() < 2 || picture.height() < 1) return {};
  return RadonTransform(picture, across, shortest, least, memory).run();
}

}  // namespace coldframe::stack::detail
