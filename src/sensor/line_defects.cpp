#include "sensor/line_defects.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

constexpr int segment_px = 128;
/// Neighbours compared with, on each side.
constexpr int reach = 4;

/// A dark seen as lines (columns or rows) with positions along them.
struct Lines {
  PlaneView<const float> plane;
  bool rows;
  [[nodiscard]] int count() const { return rows ? plane.height() : plane.width(); }
  [[nodiscard]] int length() const { return rows ? plane.width() : plane.height(); }
};

constexpr std::size_t lines_together = 32;

/// The finite values of up to `lines_together` neighbouring lines between two positions.
class Gathered {
 public:
  explicit Gathered(int length)
      : length_(static_cast<std::size_t>(length)), values_(lines_together * length_) {}

  void take(const Lines& lines, int first, std::size_t count, int p0, int p1) {
    const int last = first + static_cast<int>(count);
    const auto part =
        lines.plane.crop(lines.rows ? Rect{p0, first, p1, last} : Rect{first, p0, last, p1});
    counts_.fill(0);
    const bool finite = all_finite(part);
    // A row at a time, also of columns: one by one they would fetch each part of memory anew.
    for (int y = 0; y < part.height(); ++y) {
      const float* const row = part.row(y).data();
      const auto at = static_cast<std::size_t>(y);
      const auto width = static_cast<std::size_t>(part.width());
      if (finite && lines.rows) {
        std::copy_n(row, length_, values_.data() + at * length_);
      } else if (finite) {
        for (std::size_t k = 0; k < width; ++k) values_[k * length_ + at] = row[k];
      } else {
        for (std::size_t k = 0; k < width; ++k) add(lines.rows ? at : k, row[k]);
      }
    }
    if (finite) counts_.fill(length_);
  }
  [[nodiscard]] std::span<float> line(std::size_t k) {
    return {values_.data() + k * length_, counts_[k]};
  }

 private:
  static bool all_finite(PlaneView<const float> part) noexcept {
    int others = 0;
    for (int y = 0; y < part.height(); ++y) {
      for (const float value : part.row(y)) others |= value - value == 0.0F ? 0 : 1;
    }
    return others == 0;
  }
  void add(std::size_t k, float value) {
    values_[k * length_ + counts_[k]] = value;
    counts_[k] += value - value == 0.0F ? 1U : 0U;  // not counted: written over
  }
  std::size_t length_;
  std::vector<float> values_;
  std::array<std::size_t, lines_together> counts_{};
};

std::vector<double> segment_medians(const Lines& lines, int p0, int p1) {
  std::vector<double> medians(static_cast<std::size_t>(lines.count()), 0.0);
  Gathered gathered(p1 - p0);
  for (std::size_t first = 0; first < medians.size(); first += lines_together) {
    const std::size_t count = std::min(lines_together, medians.size() - first);
    gathered.take(lines, static_cast<int>(first), count, p0, p1);
    for (std::size_t k = 0; k < count; ++k) {
      const auto values = gathered.line(k);
      if (!values.empty()) {
        medians[first + k] = static_cast<double>(median_in_place(values));
      }
    }
  }
  return medians;
}

/// The medians as they go on straight beyond the ends, so that a slope (glow at the frame's edge)
/// is no deviation. An outermost line takes no part in saying how.
class Continued {
 public:
  Continued(const std::vector<double>& medians, int step) : medians_(medians), step_(step) {
    const auto count = static_cast<int>(medians.size());
    for (int phase = 0; phase < step; ++phase) {
      low_.push_back(edge(phase, step));
      high_.push_back(edge(count - 1 - phase, -step));
    }
  }
  [[nodiscard]] double at(int i) const {
    const auto count = static_cast<int>(medians_.size());
    if (i >= 0 && i < count) return medians_[static_cast<std::size_t>(i)];
    // The line as far inside its colour's outermost one as `i` is outside.
    const int phase = i < 0 ? (i % step_ + step_) % step_ : (count - 1 - i) % step_ + step_;
    const int outermost = i < 0 ? phase : count - 1 - phase % step_;
    const int mirrored = 2 * outermost - i;
    const auto& edges = i < 0 ? low_ : high_;
    return 2.0 * edges[static_cast<std::size_t>(phase % step_)] -
           medians_[static_cast<std::size_t>(mirrored)];
  }

 private:
  /// Value at line `first` that the next six inwards lead to.
  [[nodiscard]] double edge(int first, int step) const {
    const auto middle = [&](int k) {
      double three[3];
      for (int j = 0; j < 3; ++j)
        three[j] = medians_[static_cast<std::size_t>(first + (k + j) * step)];
      return median_in_place(std::span<double>(three));
    };
    const double near = middle(1);  // centred two lines in
    const double next = middle(4);  // five lines in
    return near - (next - near) * 2.0 / 3.0;
  }
  const std::vector<double>& medians_;
  int step_;
  std::vector<double> low_, high_;
};

constexpr std::size_t lanes = 8;  // medians taken side by side, for the compiler's vectors
using Neighbours = std::array<std::array<double, lanes>, 2 * reach>;

/// Medians of eight: the network of 19 exchanges (Knuth 1998, The Art of Computer Programming 3,
/// 5.3.4) leaves the middle two at places 3 and 4.
std::array<double, lanes> middles_of_eight(Neighbours& v) noexcept {
  static_assert(reach == 4);
  constexpr std::uint8_t pairs[19][2] = {{0, 2}, {1, 3}, {4, 6}, {5, 7}, {0, 4}, {1, 5}, {2, 6},
                                         {3, 7}, {0, 1}, {2, 3}, {4, 5}, {6, 7}, {2, 4}, {3, 5},
                                         {1, 4}, {3, 6}, {1, 2}, {3, 4}, {5, 6}};
  for (const auto& pair : pairs) {
    auto& first = v[pair[0]];
    auto& second = v[pair[1]];
    for (std::size_t l = 0; l < lanes; ++l) {
      const double a = first[l];
      const double b = second[l];
      first[l] = b < a ? b : a;
      second[l] = b < a ? a : b;
    }
  }
  std::array<double, lanes> middles{};
  for (std::size_t l = 0; l < lanes; ++l) middles[l] = v[3][l] + 0.5 * (v[4][l] - v[3][l]);
  return middles;
}

/// Each value minus the median of its neighbours of the same colour.
std::vector<double> deviations(const std::vector<double>& values, int step) {
  const Continued continued(values, step);
  std::vector<double> result(values.size(), 0.0);
  const auto margin = static_cast<std::size_t>(reach * step);
  Neighbours near{};
  for (std::size_t i = 0; i < values.size(); i += lanes) {
    const std::size_t count = std::min(lanes, values.size() - i);
    const bool inside = i >= margin && i + lanes + margin <= values.size();
    std::size_t row = 0;
    for (int k = -reach; k <= reach; ++k) {
      if (k == 0) continue;
      const int first = static_cast<int>(i) + k * step;
      for (std::size_t l = 0; l < count; ++l) {
        const int at = first + static_cast<int>(l);
        near[row][l] = inside ? values[static_cast<std::size_t>(at)] : continued.at(at);
      }
      ++row;
    }
    const auto middles = middles_of_eight(near);
    for (std::size_t l = 0; l < count; ++l) result[i + l] = values[i + l] - middles[l];
  }
  return result;
}

/// Robust scatter of the deviations about each line: glow is noisier than the rest.
std::vector<double> local_scatter(const std::vector<double>& deviation) {
  constexpr std::size_t chunk = 32;
  constexpr std::size_t beside = 16;
  const double everywhere = robust_sigma(deviation);
  std::vector<double> result(deviation.size());
  for (std::size_t c = 0; c < deviation.size(); c += chunk) {
    const std::size_t first = c > beside ? c - beside : 0;
    const std::size_t last = std::min(c + chunk + beside, deviation.size());
    const double here = robust_sigma(std::span(deviation).subspan(first, last - first));
    std::fill(result.begin() + static_cast<std::ptrdiff_t>(c),
              result.begin() + static_cast<std::ptrdiff_t>(std::min(c + chunk, result.size())),
              std::max(here, everywhere));
  }
  return result;
}

std::vector<std::uint8_t> mark_segment(const Lines& lines, int p0, int p1, const LineLimits& limits,
                                       PlaneView<std::uint8_t> mask) {
  std::vector<std::uint8_t> marked(static_cast<std::size_t>(lines.count()), 0);
  const auto deviation = deviations(segment_medians(lines, p0, p1), limits.step);
  const auto scatter = local_scatter(deviation);
  // The curve of a glow bends all lines about it alike; a bad line stands alone.
  const auto alone = deviations(deviation, limits.step);
  for (int line = 0; line < lines.count(); ++line) {
    const auto at = static_cast<std::size_t>(line);
    const double limit = std::max(limits.kappa * scatter[at], limits.least_adu);
    if (!(std::abs(deviation[at]) > limit) || !(std::abs(alone[at]) > limit)) continue;
    marked[static_cast<std::size_t>(line)] = 1;
    for (int p = p0; p < p1; ++p) {
      (lines.rows ? mask(p, line) : mask(line, p)) |= mask_bit::defect;
    }
  }
  return marked;
}

}  // namespace

int mark_line_defects(PlaneView<const float> dark, bool rows, const LineLimits& limits,
                      PlaneView<std::uint8_t> mask, Threads threads) {
  const Lines lines{dark, rows};
  // Too few lines for a scale, or lines too short for a median worth the name.
  if (lines.count() < 16 || lines.length() < 32) return 0;
  const int segments = std::max(lines.length() / segment_px, 1);
  std::vector<std::vector<std::uint8_t>> marked(static_cast<std::size_t>(segments));
  parallel_for(threads, marked.size(), [&](std::size_t s) {
    const int p0 = static_cast<int>(s) * segment_px;
    const int p1 = static_cast<int>(s) + 1 == segments ? lines.length() : p0 + segment_px;
    marked[s] = mark_segment(lines, p0, p1, limits, mask);
  });
  int found = 0;
  for (std::size_t line = 0; line < static_cast<std::size_t>(lines.count()); ++line) {
    found += std::any_of(marked.begin(), marked.end(),
                         [line](const auto& segment) { return segment[line] != 0; })
                 ? 1
                 : 0;
  }
  return found;
}

}  // namespace coldframe::sensor
