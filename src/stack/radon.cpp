#include "radon.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdlib>
#include <limits>
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

/// out = left half + right half, of one line for all starts. `h` is the rise of the
/// whole, >= 0, or mirrored for falling lines; either half rises by half of it.
void join(const float* left, const float* right, int rows, int h, bool falling,
          float* out) noexcept {
  const int g = h / 2;
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

/// The lines of one window as they are scanned, by rising slope.
struct Scanning {
  int width = 1;
  int x0 = 0;
  int x1 = 0;
  int step = 1;       ///< from rise to rise
  double unit = 0.0;  ///< noise of one line's sum; 0: lines are not scanned
  int together = 0;
  LineCandidate best;
  std::vector<LineCandidate> found;
};

/// A window whose lines are made one by one.
struct Passing {
  static constexpr int none = std::numeric_limits<int>::min();
  int rise = none;        ///< of the line that is there now
  float* line = nullptr;  ///< its sums
  Scanning scanning;
};

/// Sums up windows half by half. Narrow ones are kept, with all their lines. Each line of a broad
/// one is made from one line of either half, which serves two neighbouring slopes: from slope to
/// slope every window needs but one line at a time, and these stay near the processor.
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
    kept_level_ = std::min(kept_level_, levels_ - 1);
    found_.resize(kept_level_ + 1);
    work_.resize(stride_of(width_of(levels_), rows_));
    count_good();
    for (std::size_t level = 1; level < kept_level_; ++level) {
      for (std::size_t side = 0; side < 2; ++side) {
        memory_.reserve(2 * level + side, size_of(level));
      }
    }
    memory_.reserve(2 * kept_level_, size_of(kept_level_) * blocks_of(kept_level_));
    prepare_passing();
  }
  /// Windows from narrow to broad, from left to right.
  std::vector<LineCandidate> run() {
    for (std::size_t block = 0; block < blocks_of(kept_level_); ++block) {
      kept_.push_back(build(kept_level_, static_cast<int>(block)));
    }
    const Scanning& last = passing_.back().front().scanning;
    for (int rise = 1 - last.width; rise < last.width; rise += last.step) pass(levels_, 0, rise);
    std::vector<LineCandidate> all;
    for (const auto& some : found_) all.insert(all.end(), some.begin(), some.end());
    for (const auto& level : passing_) {
      for (const Passing& p : level) {
        all.insert(all.end(), p.scanning.found.begin(), p.scanning.found.end());
      }
    }
    return all;
  }

 private:
  [[nodiscard]] static int width_of(std::size_t level) noexcept { return 1 << level; }
  [[nodiscard]] std::size_t blocks_of(std::size_t level) const noexcept {
    const int width = width_of(level);
    return static_cast<std::size_t>((columns_ + width - 1) / width);
  }
  /// Floats of all lines of a window.
  [[nodiscard]] std::size_t size_of(std::size_t level) const noexcept {
    const int width = width_of(level);
    return static_cast<std::size_t>(2 * width - 1) * stride_of(width, rows_);
  }

  void count_good() {
    good_.assign(static_cast<std::size_t>(columns_) + 1, 0.0);
    for (int x = 0; x < columns_; ++x) {
      int good = 0;
      for (const float g : across_.good.row(x)) good += g != 0.0F ? 1 : 0;
      good_[static_cast<std::size_t>(x) + 1] = good_[static_cast<std::size_t>(x)] + good;
    }
  }

  void prepare_passing() {
    const std::size_t room = 2 * kept_level_ + 1;
    std::size_t size = 0;
    for (std::size_t level = kept_level_ + 1; level <= levels_; ++level) {
      size += blocks_of(level) * stride_of(width_of(level), rows_);
    }
    memory_.reserve(room, size);
    float* next = memory_.room(room);
    for (std::size_t level = kept_level_ + 1; level <= levels_; ++level) {
      auto& windows = passing_.emplace_back(blocks_of(level));
      for (std::size_t block = 0; block < windows.size(); ++block) {
        windows[block].line = next;
        windows[block].scanning = scanning_of(level, static_cast<int>(block));
        next += stride_of(width_of(level), rows_);
      }
    }
  }

  [[nodiscard]] Scanning scanning_of(std::size_t level, int block) const {
    Scanning s;
    s.width = width_of(level);
    s.x0 = block * s.width;
    s.x1 = std::min(s.x0 + s.width, columns_);
    // The last window reaches beyond the picture: its slopes lie closer than they need to.
    s.step = level == levels_ && 4 * s.width >= 5 * columns_ ? 2 : 1;
    if (s.width < shortest_) return s;
    // The root of its good pixels, on average.
    const double good =
        good_[static_cast<std::size_t>(s.x1)] - good_[static_cast<std::size_t>(s.x0)];
    s.unit = std::sqrt(std::max(good / std::max(rows_, 1), 8.0));
    return s;
  }

  Window build(std::size_t level, int block) {
    const int width = width_of(level);
    if (block * width >= columns_) return {width, 0, nullptr};
    if (level == 0) return {1, 0, across_.value.row(block).data()};
    const Window left = build(level - 1, 2 * block);
    const Window right = build(level - 1, 2 * block + 1);
    const auto index = static_cast<std::size_t>(block);
    float* sums = level < kept_level_ ? memory_.room(2 * level + index % 2)
                                      : memory_.room(2 * level) + index * size_of(level);
    const Window whole{width, stride_of(width, rows_), sums};
    Scanning scanning = scanning_of(level, block);
    for (int rise = 1 - width; rise < width; ++rise) {
      float* out = sums + whole.place(rise);
      join(left.line(half_of(rise)), right.line(half_of(rise)), rows_, std::abs(rise), rise < 0,
           out);
      scan_line(scanning, rise, out);
    }
    found_[level].insert(found_[level].end(), scanning.found.begin(), scanning.found.end());
    return whole;
  }

  [[nodiscard]] static int half_of(int rise) noexcept { return rise / 2; }

  /// One line of a window; asked for in order of their slopes.
  const float* pass(std::size_t level, int block, int rise) {
    if (block * width_of(level) >= columns_) return nullptr;
    if (level == kept_level_) return kept_[static_cast<std::size_t>(block)].line(rise);
    Passing& p = passing_[level - kept_level_ - 1][static_cast<std::size_t>(block)];
    if (p.rise == rise) return p.line;
    const float* left = pass(level - 1, 2 * block, half_of(rise));
    const float* right = pass(level - 1, 2 * block + 1, half_of(rise));
    join(left, right, rows_, std::abs(rise), rise < 0, p.line);
    p.rise = rise;
    scan_line(p.scanning, rise, p.line);
    return p.line;
  }

  void scan_line(Scanning& s, int rise, const float* value) {
    constexpr int slopes_together = 16;
    if (!(s.unit > 0.0)) return;
    consider(s, rise, value);
    if (++s.together < slopes_together && rise + s.step < s.width) return;
    if (s.best.score > 0.0) s.found.push_back(s.best);
    s.best = {};
    s.together = 0;
  }

  void consider(Scanning& s, int rise, const float* value) {
    const auto beat = static_cast<float>(std::max(least_, s.best.score) * s.unit);
    const Best b = scan(value, rows_ + std::abs(rise), beat, work_);
    if (b.index < 0) return;
    const double slope = static_cast<double>(rise) / static_cast<double>(s.width - 1);
    const double y0 = b.index - std::max(rise, 0) + 0.5 * (b.lines - 1);
    s.best = {static_cast<double>(b.score) / s.unit, y0 - slope * s.x0, slope, s.x0, s.x1, b.lines};
  }

  const TrailPicture& across_;
  int columns_;
  int rows_;
  int shortest_;
  double least_;
  RadonMemory& memory_;
  std::size_t levels_ = 0;
  std::size_t kept_level_ = 5;  ///< the broadest windows that are kept
  std::vector<Window> kept_;
  std::vector<std::vector<Passing>> passing_;  ///< per level above
  std::vector<std::vector<LineCandidate>> found_;
  std::vector<double> good_;  ///< pixels left of a column
  std::vector<float> work_;
};

}  // namespace

std::vector<LineCandidate> radon_candidates(const TrailPicture& picture, const TrailPicture& across,
                                            int shortest, double least, RadonMemory& memory) {
  if (picture.width() < 2 || picture.height() < 1) return {};
  return RadonTransform(picture, across, shortest, least, memory).run();
}

}  // namespace coldframe::stack::detail
