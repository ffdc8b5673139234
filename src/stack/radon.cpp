#include "radon.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <span>

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
  std::span<float> good;

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

/// Memory of one stage, used again by the next but one.
struct StageMemory {
  std::vector<float> value;
  std::vector<float> good;

  explicit StageMemory(std::size_t size) : value(size), good(size) {}
  void lend(Stage& stage) noexcept {
    stage.value = value;
    stage.good = good;
  }
};

Stage stage_of(int width, const TrailPicture& picture) noexcept {
  return {width, (picture.width() + width - 1) / width, picture.height()};
}

Stage first_stage(const TrailPicture& picture, StageMemory& memory) {
  Stage stage = stage_of(1, picture);
  memory.lend(stage);
  for (int y = 0; y < picture.height(); ++y) {
    const auto value = picture.value.row(y);
    const auto good = picture.good.row(y);
    for (int x = 0; x < picture.width(); ++x) {
      const std::size_t at = stage.row_of(x, 0) + static_cast<std::size_t>(y);
      stage.value[at] = value[static_cast<std::size_t>(x)];
      stage.good[at] = good[static_cast<std::size_t>(x)];
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
  for (int i = 0; i < overlap; ++i) out[shift + i] = early[shift + i] + late[i];
  std::copy(late + overlap, late + half, out + shift + overlap);
}

struct Best {
  float score2 = 0.0F;
  int index = 0;
  int lines = 1;
};

constexpr int scan_lanes = 16;

/// Highest squared score of `lines` adjacent rows; 0 unless at least `least_count` good pixels.
float highest(const float* value, const float* good, int size, int lines,
              float least_count) noexcept {
  std::array<float, scan_lanes> best{};
  const auto score2 = [&](int i) {
    float v = value[i];
    float c = good[i];
    for (int k = 1; k < lines; ++k) {
      v += value[i + k];
      c += good[i + k];
    }
    v = v > 0.0F ? v : 0.0F;
    c = c >= least_count ? c : 1e30F;
    return v * v / c;
  };
  const int last = size - lines + 1;
  int i = 0;
  for (; i + scan_lanes <= last; i += scan_lanes) {
    for (int l = 0; l < scan_lanes; ++l) {
      const float s = score2(i + l);
      const auto at = static_cast<std::size_t>(l);
      best[at] = s > best[at] ? s : best[at];
    }
  }
  for (; i < last; ++i) best[0] = std::max(best[0], score2(i));
  return *std::max_element(best.begin(), best.end());
}

int locate(const float* value, const float* good, int size, int lines, float score2) noexcept {
  int where = 0;
  float closest = -1.0F;
  for (int i = 0; i + lines <= size; ++i) {
    float v = 0.0F;
    float c = 0.0F;
    for (int k = 0; k < lines; ++k) {
      v += value[i + k];
      c += good[i + k];
    }
    if (v <= 0.0F || c < 1.0F) continue;
    const float s = v * v / c;
    if (s <= score2 * 1.0001F && s > closest) {
      closest = s;
      where = i;
    }
  }
  return where;
}

/// Whether any score exceeds sqrt(beat), without a division.
inline bool any_above(const float* value, const float* good, int size, int lines, float least_count,
                      float beat) noexcept {
  std::array<int, scan_lanes> hit{};
  const auto above = [&](int i) {
    float v = value[i];
    float c = good[i];
    for (int k = 1; k < lines; ++k) {
      v += value[i + k];
      c += good[i + k];
    }
    c = c >= least_count ? c : 1e30F;
    return v * (v > 0.0F ? v : 0.0F) > beat * c ? 1 : 0;
  };
  const int last = size - lines + 1;
  int i = 0;
  for (; i + scan_lanes <= last; i += scan_lanes) {
    for (int l = 0; l < scan_lanes; ++l) hit[static_cast<std::size_t>(l)] |= above(i + l);
  }
  for (; i < last; ++i) hit[0] |= above(i);
  return std::any_of(hit.begin(), hit.end(), [](int h) { return h != 0; });
}

template <int Lines>
void scan_lines(const float* value, const float* good, int size, float least_count,
                Best& best) noexcept {
  const float least = least_count * static_cast<float>(Lines);
  if (size <= Lines || !any_above(value, good, size, Lines, least, best.score2)) return;
  const float s = highest(value, good, size, Lines, least);
  if (s > best.score2) best = {s, locate(value, good, size, Lines, s), Lines};
}

Best scan(const float* value, const float* good, int size, float least_count, float beat) noexcept {
  Best best{beat, -1, 1};
  scan_lines<1>(value, good, size, least_count, best);
  scan_lines<2>(value, good, size, least_count, best);
  scan_lines<4>(value, good, size, least_count, best);
  return best;
}

/// Builds the stage of twice the width; scans its lines on the way when asked to.
class Doubler {
 public:
  /// Without memory the lines are scanned only, not kept.
  Doubler(const Stage& from, const TrailPicture& picture, StageMemory* memory, bool scanning,
          double least)
      : from_(from),
        to_(stage_of(2 * from.width, picture)),
        picture_width_(picture.width()),
        store_(memory != nullptr),
        scanning_(scanning),
        least2_(static_cast<float>(least * least)) {
    if (store_) memory->lend(to_);
    value_.resize(to_.stride);
    good_.resize(to_.stride);
  }
  Stage run(std::vector<LineCandidate>& found) {
    constexpr int slopes_together = 16;
    // The last window reaches beyond the picture: its slopes lie closer than they need to.
    const int step = !store_ && 4 * to_.width >= 5 * picture_width_ ? 2 : 1;
    for (int block = 0; block < to_.blocks; ++block) {
      LineCandidate best;
      int together = 0;
      for (int rise = 1 - to_.width; rise < to_.width; rise += step) {
        line(block, rise, best);
        if (++together < slopes_together && rise + step < to_.width) continue;
        if (best.score > 0.0) found.push_back(best);
        best = {};
        together = 0;
      }
    }
    return to_;
  }

 private:
  void line(int block, int rise, LineCandidate& best) {
    const int h = rise < 0 ? -rise : rise;
    const int g = h / 2;
    const int half_rise = rise < 0 ? -g : g;
    const bool has_right = 2 * block + 1 < from_.blocks;
    const std::size_t left = from_.row_of(2 * block, half_rise);
    const std::size_t right = has_right ? from_.row_of(2 * block + 1, half_rise) : 0;
    const std::size_t out = store_ ? to_.row_of(block, rise) : 0;
    float* value = store_ ? &to_.value[out] : value_.data();
    float* good = store_ ? &to_.good[out] : good_.data();
    join(&from_.value[left], has_right ? &from_.value[right] : nullptr, from_.rows, g, h, rise < 0,
         value);
    join(&from_.good[left], has_right ? &from_.good[right] : nullptr, from_.rows, g, h, rise < 0,
         good);
    if (scanning_) consider(block, rise, {value, good}, best);
  }

  struct Sums {
    const float* value;
    const float* good;
  };
  void consider(int block, int rise, Sums sums, LineCandidate& best) const {
    const int h = rise > 0 ? rise : -rise;
    const float beat = std::max(least2_, static_cast<float>(best.score * best.score));
    const Best b = scan(sums.value, sums.good, to_.rows + h, 24.0F, beat);
    if (b.index < 0) return;
    const int x0 = block * to_.width;
    const double slope = static_cast<double>(rise) / static_cast<double>(to_.width - 1);
    const double y0 = b.index - std::max(rise, 0) + 0.5 * (b.lines - 1);
    best = {std::sqrt(static_cast<double>(b.score2)), y0 - slope * x0, slope, x0,
            std::min(x0 + to_.width, picture_width_)};
  }

  const Stage& from_;
  Stage to_;
  int picture_width_;
  bool store_;
  bool scanning_;
  float least2_;
  std::vector<float> value_;
  std::vector<float> good_;
};

}  // namespace

std::vector<LineCandidate> radon_candidates(const TrailPicture& picture, int shortest,
                                            double least) {
  std::vector<LineCandidate> found;
  if (picture.width() < 2 || picture.height() < 1) return found;
  std::size_t largest = stage_of(1, picture).size();
  for (int w = 2; w < picture.width(); w *= 2)
    largest = std::max(largest, stage_of(w, picture).size());
  StageMemory one(largest);
  StageMemory other(largest);
  StageMemory* next = &other;
  Stage stage = first_stage(picture, one);
  while (stage.width < picture.width()) {
    const int width = 2 * stage.width;
    StageMemory* memory = width < picture.width() ? next : nullptr;
    stage = Doubler(stage, picture, memory, width >= shortest, least).run(found);
    next = next == &other ? &one : &other;
  }
  return found;
}

}  // namespace coldframe::stack::detail
