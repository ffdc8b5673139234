#include "trail_sensor.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::pipeline::detail {
namespace {

constexpr float clip = 2.5F;

struct SensorPlace {
  bool upright = false;
  double middle = 0.0;  ///< across
  double first = 0.0;   ///< along
  double last = 0.0;
};

SensorPlace place_of(const stack::Trail& t) noexcept {
  const bool upright = std::fabs(t.x2 - t.x1) < std::fabs(t.y2 - t.y1);
  const double a = upright ? t.y1 : t.x1;
  const double b = upright ? t.y2 : t.x2;
  return {upright, upright ? 0.5 * (t.x1 + t.x2) : 0.5 * (t.y1 + t.y2), std::min(a, b),
          std::max(a, b)};
}

// Above the lines beside it, so that no slope of the sky counts.
SensorLines::Sum contrast(const SensorLines& lines, const SensorPlace& place, int line) {
  constexpr int beside = 4;
  SensorLines::Sum sum = lines.along(place.upright, line, place.first, place.last);
  const auto left = lines.along(place.upright, line - beside, place.first, place.last);
  const auto right = lines.along(place.upright, line + beside, place.first, place.last);
  const double sides = (left.count > 0.0 ? 1.0 : 0.0) + (right.count > 0.0 ? 1.0 : 0.0);
  if (sides > 0.0) sum.total -= sum.count * (left.mean() + right.mean()) / sides;
  return sum;
}

}  // namespace

SensorLines::SensorLines(const TrailResidual& residual) {
  const Size size = residual.values.size();
  columns_ = {Grid<float>(size.width, parts), Grid<float>(size.width, parts), size.height};
  rows_ = {Grid<float>(size.height, parts), Grid<float>(size.height, parts), size.width};
  for (int y = 0; y < size.height; ++y) {
    const int down = y * parts / size.height;
    for (int x = 0; x < size.width; ++x) {
      if (residual.mask(x, y) != 0) continue;
      const float v = std::clamp(residual.values(x, y), -clip, clip);
      const int across = x * parts / size.width;
      columns_.total(x, down) += v;
      columns_.count(x, down) += 1.0F;
      rows_.total(y, across) += v;
      rows_.count(y, across) += 1.0F;
    }
  }
}

SensorLines::Sum SensorLines::along(bool upright, int line, double first,
                                    double last) const noexcept {
  const Table& table = upright ? columns_ : rows_;
  Sum sum;
  if (line < 0 || line >= table.size().width) return sum;
  const double part = static_cast<double>(table.length) / parts;
  for (int k = 0; k < parts; ++k) {
    const double covered = std::min(last, (k + 1) * part) - std::max(first, k * part);
    // A short line counts over the whole quarter that most of it lies in.
    if (covered < 0.5 * std::min(part, last - first)) continue;
    sum.total += static_cast<double>(table.total(line, k));
    sum.count += static_cast<double>(table.count(line, k));
  }
  return sum;
}

bool lies_on_sensor(const stack::Trail& trail, std::span<const SensorLines> subs, std::size_t own) {
  constexpr double along_axis = 2.5;
  const double tilt = std::min(std::fabs(trail.x2 - trail.x1), std::fabs(trail.y2 - trail.y1));
  if (tilt > along_axis) return false;
  const SensorPlace place = place_of(trail);
  constexpr double seen = 3.5;
  constexpr double alike = 0.3;
  for (int shift = -1; shift <= 1; ++shift) {
    const int line = static_cast<int>(std::lround(place.middle)) + shift;
    const double here = std::min(trail.brightness, static_cast<double>(clip));
    std::vector<double> means;
    SensorLines::Sum all;
    for (std::size_t k = 0; k < subs.size(); ++k) {
      if (k == own || subs[k].empty()) continue;
      const auto sum = contrast(subs[k], place, line);
      if (!(sum.count > 0.0)) continue;
      means.push_back(sum.mean());
      all.total += sum.total;
      all.count += sum.count;
    }
    if (means.empty()) continue;
    const double noise = std::sqrt(1.5 * std::max(all.count, 1.0));
    // Most of the others show it: satellites of one orbit may follow each other along a row.
    const auto middle = means.begin() + static_cast<std::ptrdiff_t>((means.size() - 1) / 2);
    std::nth_element(means.begin(), middle, means.end());
    if (all.total > seen * noise && *middle > alike * here) return true;
  }
  return false;
}

}  // namespace coldframe::pipeline::detail
