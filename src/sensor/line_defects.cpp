#include "sensor/line_defects.hpp"

#include <algorithm>
#include <cmath>
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
  [[nodiscard]] float at(int line, int position) const {
    return rows ? plane(position, line) : plane(line, position);
  }
};

std::vector<double> segment_medians(const Lines& lines, int p0, int p1) {
  std::vector<double> medians(static_cast<std::size_t>(lines.count()), 0.0);
  std::vector<float> values;
  values.reserve(static_cast<std::size_t>(p1 - p0));
  for (int line = 0; line < lines.count(); ++line) {
    values.clear();
    for (int p = p0; p < p1; ++p) {
      const float value = lines.at(line, p);
      if (std::isfinite(value)) values.push_back(value);
    }
    if (!values.empty()) {
      medians[static_cast<std::size_t>(line)] = static_cast<double>(median_in_place(values));
    }
  }
  return medians;
}

/// Each line's median minus the median of its neighbours of the same colour.
std::vector<double> deviations(const std::vector<double>& medians, int step) {
  const auto count = static_cast<int>(medians.size());
  std::vector<double> result(medians.size(), 0.0);
  std::vector<double> near;
  for (int i = 0; i < count; ++i) {
    near.clear();
    for (int k = -reach; k <= reach; ++k) {
      const int j = i + k * step;
      if (k != 0 && j >= 0 && j < count) near.push_back(medians[static_cast<std::size_t>(j)]);
    }
    const auto at = static_cast<std::size_t>(i);
    if (!near.empty()) result[at] = medians[at] - median_in_place(std::span<double>(near));
  }
  return result;
}

std::vector<std::uint8_t> mark_segment(const Lines& lines, int p0, int p1, const LineLimits& limits,
                                       PlaneView<std::uint8_t> mask) {
  std::vector<std::uint8_t> marked(static_cast<std::size_t>(lines.count()), 0);
  const auto deviation = deviations(segment_medians(lines, p0, p1), limits.step);
  const double limit = std::max(limits.kappa * robust_sigma(deviation), limits.least_adu);
  for (int line = 0; line < lines.count(); ++line) {
    if (!(std::abs(deviation[static_cast<std::size_t>(line)]) > limit)) continue;
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
