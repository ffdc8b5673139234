#include "sensor/defect_growth.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>
#include <vector>

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

/// Marks, row by row, the pixels with a marked one of their colour within `close` steps.
class Surroundings {
 public:
  Surroundings(PlaneView<const std::uint8_t> mask, int step)
      : mask_(mask),
        step_(static_cast<std::size_t>(step)),
        column_(static_cast<std::size_t>(mask.width()) + 2 * close * step_),
        near_(static_cast<std::size_t>(mask.width())) {}

  /// Not 0: near a marked one; valid until the next call.
  [[nodiscard]] std::span<const std::uint8_t> row(int y) {
    std::uint8_t* const middle = column_.data() + close * step_;
    std::fill(column_.begin(), column_.end(), std::uint8_t{0});
    for (int k = -close; k <= close; ++k) {
      const int v = y + k * static_cast<int>(step_);
      if (v < 0 || v >= mask_.height()) continue;
      const auto from = mask_.row(v);
      for (std::size_t x = 0; x < from.size(); ++x)
        middle[x] = static_cast<std::uint8_t>(middle[x] | from[x]);
    }
    const std::uint8_t* const left = column_.data();
    for (std::size_t x = 0; x < near_.size(); ++x) {
      near_[x] = static_cast<std::uint8_t>(left[x] | left[x + step_] | left[x + 2 * step_] |
                                           left[x + 3 * step_] | left[x + 4 * step_]);
    }
    return near_;
  }

 private:
  static_assert(close == 2);  // five terms above
  PlaneView<const std::uint8_t> mask_;
  std::size_t step_;
  std::vector<std::uint8_t> column_, near_;
};

bool beyond(float value, float local, const GrowthLimits& limits) {
  // false for NaN
  return std::abs(value - local) > std::max(limits.absolute, limits.relative * std::abs(local));
}

struct Place {
  int x = 0;
  int y = 0;
};

/// What one look adds in rows y0 to y1, of those that are `open`.
std::vector<Place> look_at(PlaneView<const float> plane, const GrowthLimits& limits,
                           PlaneView<const std::uint8_t> mask,
                           const std::vector<std::uint8_t>& open, int y0, int y1) {
  std::vector<Place> added;
  Surroundings surroundings(mask, limits.step);
  const LocalMedian coarse(plane, far * limits.step);
  for (int y = y0; y < y1; ++y) {
    if (open[static_cast<std::size_t>(y)] == 0) continue;
    const auto near = surroundings.row(y);
    const auto row = plane.row(y);
    const auto marked = mask.row(y);
    for (std::size_t at = 0; at < near.size(); ++at) {
      if (near[at] == 0 || marked[at] != 0) continue;
      const int x = static_cast<int>(at);
      if (!beyond(row[at], coarse.at(x, y), limits)) continue;
      if (!beyond(row[at], reference(plane, mask, limits.step, x, y), limits)) continue;
      added.push_back({x, y});
    }
  }
  return added;
}

/// Rows whose references see any of the places: elsewhere another look finds the same.
std::vector<std::uint8_t> rows_about(const std::vector<std::vector<Place>>& places, int step,
                                     int height) {
  std::vector<std::uint8_t> rows(static_cast<std::size_t>(height), 0);
  for (const auto& band : places) {
    for (const Place& place : band) {
      const int last = std::min(place.y + reach * step, height - 1);
      for (int y = std::max(place.y - reach * step, 0); y <= last; ++y)
        rows[static_cast<std::size_t>(y)] = 1;
    }
  }
  return rows;
}

}  // namespace

std::int64_t grow_clusters(PlaneView<const float> plane, const GrowthLimits& limits,
                           PlaneView<std::uint8_t> mask, Threads threads) {
  std::int64_t total = 0;
  std::vector<std::uint8_t> open(static_cast<std::size_t>(mask.height()), 1);
  const auto bands = static_cast<std::size_t>((mask.height() + rows_per_band - 1) / rows_per_band);
  for (int look = 0; look < looks; ++look) {
    // Judged by the map as it was before this look: the order of bands does not matter.
    std::vector<std::vector<Place>> added(bands);
    parallel_bands(threads, mask.height(), rows_per_band, [&](int y0, int y1) {
      added[static_cast<std::size_t>(y0 / rows_per_band)] =
          look_at(plane, limits, mask, open, y0, y1);
    });
    std::int64_t count = 0;
    for (const auto& band : added) {
      for (const Place& place : band) mask(place.x, place.y) |= mask_bit::defect;
      count += static_cast<std::int64_t>(band.size());
    }
    if (count == 0) break;
    total += count;
    open = rows_about(added, limits.step, mask.height());
  }
  return total;
}

}  // namespace coldframe::sensor
