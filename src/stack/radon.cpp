#include "radon.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <span>

#include "radon_kernel.hpp"

namespace coldframe::stack::detail {
namespace {

/// Line sums of all windows of one width. A line over `width` columns that rises by `rise`
/// (between -(width-1) and width-1) and starts at row y0 is kept at index
/// y0 + max(rise, 0); rows from which the line enters the picture later are included.
struct Stage {
  int width = 1;
  int blocks = 0;
  int rows = 0;
  std::size_t stride = 0;
  std::span<float> value;

  Stage(int width_, int blocks_, int rows_)
      : width(width_),
        blocks(blocks_),
        rows(rows_),
        stride(static_cast<std::size_t>(rows_ + width_)) {}
  [[nodiscard]] std::size_t row_of(int block, int rise) const noexcept {
    return (static_cast<std::size_t>(block) * static_cast<std::size_t>(2 * width - 1) +
            static_cast<std::size_t>(rise + width - 1)) *
           stride;
  }
  [[nodiscard]] std::size_t size() const noexcept { return row_of(blocks, -(width - 1)); }
};

Stage stage_of(int width, const TrailPicture& picture) noexcept {
  return {width, (picture.width() + width - 1) / width, picture.height()};
}

Stage first_stage(const TrailPicture& picture, std::vector<float>& memory) {
  Stage stage = stage_of(1, picture);
  stage.value = memory;
  for (int y = 0; y < picture.height(); ++y) {
    const auto value = picture.value.row(y);
    for (int x = 0; x < picture.width(); ++x) {
      stage.value[stage.row_of(x, 0) + static_cast<std::size_t>(y)] =
          value[static_cast<std::size_t>(x)];
    }
  }
  return stage;
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

/// Builds the stage of twice the width; scans its lines on the way when asked to.
class Doubler {
 public:
  /// Without memory the lines are scanned only, not kept.
  Doubler(const Stage& from, const TrailPicture& picture, std::vector<float>* memory, bool scanning,
          double least)
      : from_(from),
        to_(stage_of(2 * from.width, picture)),
        picture_(picture),
        store_(memory != nullptr),
        scanning_(scanning),
        least_(least) {
    if (store_) to_.value = *memory;
    value_.resize(to_.stride);
    work_.resize(to_.stride);
  }
  Stage run(std::vector<LineCandidate>& found) {
    constexpr int slopes_together = 16;
    // The last window reaches beyond the picture: its slopes lie closer than they need to.
    const int step = !store_ && 4 * to_.width >= 5 * picture_.width() ? 2 : 1;
    for (int block = 0; block < to_.blocks; ++block) {
      LineCandidate best;
      int together = 0;
      const double unit = scanning_ ? sum_unit(block) : 0.0;
      for (int rise = 1 - to_.width; rise < to_.width; rise += step) {
        line(block, rise, unit, best);
        if (++together < slopes_together && rise + step < to_.width) continue;
        if (best.score > 0.0) found.push_back(best);
        best = {};
        together = 0;
      }
    }
    return to_;
  }

 private:
  /// Noise of one line's sum in this window: the root of its good pixels, on average.
  [[nodiscard]] double sum_unit(int block) const noexcept {
    const int x0 = block * to_.width;
    const int x1 = std::min(x0 + to_.width, picture_.width());
    double good = 0.0;
    for (int y = 0; y < picture_.height(); ++y) {
      const auto row = picture_.good.row(y);
      for (int x = x0; x < x1; ++x) good += static_cast<double>(row[static_cast<std::size_t>(x)]);
    }
    return std::sqrt(std::max(good / std::max(picture_.height(), 1), 8.0));
  }

  void line(int block, int rise, double unit, LineCandidate& best) {
    const int h = rise < 0 ? -rise : rise;
    const int g = h / 2;
    const int half_rise = rise < 0 ? -g : g;
    const bool has_right = 2 * block + 1 < from_.blocks;
    const std::size_t left = from_.row_of(2 * block, half_rise);
    const std::size_t right = has_right ? from_.row_of(2 * block + 1, half_rise) : 0;
    float* value = store_ ? &to_.value[to_.row_of(block, rise)] : value_.data();
    join(&from_.value[left], has_right ? &from_.value[right] : nullptr, from_.rows, g, h, rise < 0,
         value);
    if (scanning_) consider(block, rise, value, unit, best);
  }

  void consider(int block, int rise, const float* value, double unit, LineCandidate& best) {
    const int h = rise > 0 ? rise : -rise;
    const auto beat = static_cast<float>(std::max(least_, best.score) * unit);
    const Best b = scan(value, to_.rows + h, beat, work_);
    if (b.index < 0) return;
    const int x0 = block * to_.width;
    const double slope = static_cast<double>(rise) / static_cast<double>(to_.width - 1);
    const double y0 = b.index - std::max(rise, 0) + 0.5 * (b.lines - 1);
    best.score = static_cast<double>(b.score) / unit;
    best.start = y0 - slope * x0;
    best.slope = slope;
    best.x0 = x0;
    best.x1 = std::min(x0 + to_.width, picture_.width());
    best.lines = b.lines;
  }

  const Stage& from_;
  Stage to_;
  const TrailPicture& picture_;
  bool store_;
  bool scanning_;
  double least_;
  std::vector<float> value_;
  std::vector<float> work_;
};

}  // namespace

std::vector<LineCandidate> radon_candidates(const TrailPicture& picture, int shortest,
                                            double least) {
  std::vector<LineCandidate> found;
  if (picture.width() < 2 || picture.height() < 1) return found;
  std::size_t largest = stage_of(1, picture).size();
  for (int w = 2; w < picture.width(); w *= 2)
    largest = std::max(largest, stage_of(w, picture).size());
  // Memory of one stage is used again by the next but one.
  std::vector<float> one(largest);
  std::vector<float> other(largest);
  std::vector<float>* next = &other;
  Stage stage = first_stage(picture, one);
  while (stage.width < picture.width()) {
    const int width = 2 * stage.width;
    std::vector<float>* memory = width < picture.width() ? next : nullptr;
    stage = Doubler(stage, picture, memory, width >= shortest, least).run(found);
    next = next == &other ? &one : &other;
  }
  return found;
}

}  // namespace coldframe::stack::detail
