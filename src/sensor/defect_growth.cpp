#include "sensor/defect_growth.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "sensor/local_median.hpp"

namespace coldframe::sensor {
namespace {

constexpr int rows_per_band = 64;
constexpr int reach = 3;  // steps: window of 7 x 7 neighbours of one colour
constexpr int close = 2;  // steps within which a marked pixel calls for a second look
constexpr int looks = 4;  // a cluster grows by two steps per look
constexpr int far = 4;    // steps of the coarse reference that spares most pixels the fine one
constexpr std::size_t fewest = 8;

/// Median of the unmarked pixels about (x, y); NaN with too few of them.
float reference(PlaneView<const float> plane, PlaneView<const std::uint8_t> mask, int step, int x,
                int y) {
  std::array<float, (2 * reach + 1) * (2 * reach + 1)> found{};
  std::size_t count = 0;
  for (int dy = -reach; dy <= reach; ++dy) {
    const int v = y + dy * step;
    if (v < 0 || v >= plane.height()) continue;
    for (int dx = -reach; dx <= reach; ++dx) {
      const int u = x + dx * step;
      if (u < 0 || u >= plane.width() || mask(u, v) != 0 || (dx == 0 && dy == 0)) continue;
      if (std::isfinite(plane(u, v))) found[count++] = plane(u, v);
    }
  }
  if (count < fewest) return std::nanf("");
  return median_in_place(std::span<float>(found.data(), count));
}

bool marked_nearby(PlaneView<const std::uint8_t> mask, int step, int x, int y) {
  for (int dy = -close; dy <= close; ++dy) {
    const int v = y + dy * step;
    if (v < 0 || v >= mask.height()) continue;
    for (int dx = -close; dx <= close; ++dx) {
      const int u = x + dx * step;
      if (u >= 0 && u < mask.width() && mask(u, v) != 0) return true;
    }
  }
  return false;
}

bool beyond(float value, float local, const GrowthLimits& limits) {
  // false for NaN
  return std::abs(value - local) > std::max(limits.absolute, limits.relative * std::abs(local));
}

}  // namespace

std::int64_t grow_clusters(PlaneView<const float> plane, const GrowthLimits& limits,
                           PlaneView<std::uint8_t> mask, Threads threads) {
  std::int64_t total = 0;
  for (int look = 0; look < looks; ++look) {
    // Judged by the map as it was before this look: the order of bands does not matter.
    Mask fresh(mask.size());
    std::atomic<std::int64_t> added{0};
    parallel_bands(threads, mask.height(), rows_per_band, [&](int y0, int y1) {
      LocalMedian coarse(plane, far * limits.step);
      for (int y = y0; y < y1; ++y) {
        const float* const wide = coarse.row(y);
        const auto row = plane.row(y);
        for (int x = 0; x < mask.width(); ++x) {
          const float value = row[static_cast<std::size_t>(x)];
          if (mask(x, y) != 0 || !beyond(value, wide[x], limits)) continue;
          if (!marked_nearby(mask, limits.step, x, y)) continue;
          if (!beyond(value, reference(plane, mask, limits.step, x, y), limits)) continue;
          fresh(x, y) = mask_bit::defect;
          ++added;
        }
      }
    });
    if (added == 0) break;
    total += added;
    for (int y = 0; y < mask.height(); ++y) {
      const auto from = fresh.row(y);
      const auto to = mask.row(y);
      for (std::size_t x = 0; x < to.size(); ++x)
        to[x] = static_cast<std::uint8_t>(to[x] | from[x]);
    }
  }
  return total;
}

}  // namespace coldframe::sensor
