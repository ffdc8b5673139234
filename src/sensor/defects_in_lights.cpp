#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/sensor/defects.hpp"
#include "sensor/local_median.hpp"

namespace coldframe::sensor {
namespace {

constexpr int rows_per_band = 64;
/// Share of the lights in which a pixel must stand out.
constexpr double persistent_share = 0.8;
/// A star, however sharp, puts at least this share of its peak into the four pixels next to it
/// (FWHM 1.5 px, centred, pixel-integrated: 0.3); a defect does not.
constexpr float star_share = 0.25F;

/// Deviations from the local median of rows y0-1 .. y1 of one light.
class Deviations {
 public:
  Deviations(PlaneView<const float> light, int step, int y0, int y1)
      : first_(y0 - 1), plane_(light.width(), y1 - y0 + 2) {
    LocalMedian median(light, step);
    for (int y = std::max(first_, 0); y < std::min(y1 + 1, light.height()); ++y) {
      const float* const local = median.row(y);
      const auto from = light.row(y);
      const auto to = plane_.row(y - first_);
      for (std::size_t x = 0; x < to.size(); ++x) to[x] = from[x] - local[x];
    }
  }
  [[nodiscard]] float at(int x, int y) const { return plane_(x, y - first_); }
  [[nodiscard]] std::span<const float> row(int y) const { return plane_.row(y - first_); }
  /// Mean of the two middle ones of the four next pixels (beyond the edge counts as 0).
  [[nodiscard]] float beside(int x, int y, int height) const {
    std::array<float, 4> four{x > 0 ? at(x - 1, y) : 0.0F,
                              x + 1 < plane_.width() ? at(x + 1, y) : 0.0F,
                              y > 0 ? at(x, y - 1) : 0.0F, y + 1 < height ? at(x, y + 1) : 0.0F};
    std::sort(four.begin(), four.end());
    return 0.5F * (four[1] + four[2]);
  }

 private:
  int first_;
  Grid<float> plane_;
};

/// Counts per pixel of a band: lights usable, lights in which it stands out above or below.
struct Tally {
  Grid<std::uint16_t> usable, above, below;
};

void count_light(PlaneView<const float> light, int step, float kappa, int y0, int y1,
                 Tally& tally) {
  const Deviations deviations(light, step, y0, y1);
  for (int y = y0; y < y1; ++y) {
    const auto row = deviations.row(y);
    for (int x = 0; x < light.width(); ++x) {
      const float deviation = row[static_cast<std::size_t>(x)];
      if (!(std::abs(deviation) < 3.0e38F)) continue;
      tally.usable(x, y - y0) += 1;
      if (std::abs(deviation) <= kappa) continue;
      const float beside = deviations.beside(x, y, light.height());
      if (deviation > 0.0F && beside < star_share * deviation) tally.above(x, y - y0) += 1;
      if (deviation < 0.0F && beside > star_share * deviation) tally.below(x, y - y0) += 1;
    }
  }
}

}  // namespace

DefectReport find_defects_in_lights(std::span<const PlaneView<const float>> lights, CfaPattern cfa,
                                    double kappa, PlaneView<std::uint8_t> mask, Threads threads) {
  for (const auto& light : lights) {
    if (light.size() != mask.size()) {
      throw Error(ErrorKind::usage, "", "lights and defect map differ in size", "");
    }
  }
  DefectReport report;
  if (lights.size() < 3 || mask.empty()) return report;
  // Neighbours two pixels off serve a mosaic's colours, and without a mosaic too: one pixel off a
  // sharp star would lift its own reference.
  const int step = std::max(colour_step(cfa), 2);
  std::atomic<std::int64_t> hot{0}, cold{0};
  parallel_bands(threads, mask.height(), rows_per_band, [&](int y0, int y1) {
    const Size band{mask.width(), y1 - y0};
    Tally tally{Grid<std::uint16_t>(band), Grid<std::uint16_t>(band), Grid<std::uint16_t>(band)};
    for (const auto& light : lights) {
      count_light(light, step, static_cast<float>(kappa), y0, y1, tally);
    }
    for (int y = y0; y < y1; ++y) {
      for (int x = 0; x < band.width; ++x) {
        const int usable = tally.usable(x, y - y0);
        if (usable < 3) continue;
        const double needed = persistent_share * usable;
        const bool is_hot = tally.above(x, y - y0) >= needed;
        const bool is_cold = tally.below(x, y - y0) >= needed;
        if (!is_hot && !is_cold) continue;
        mask(x, y) |= mask_bit::defect;
        (is_hot ? hot : cold) += 1;
      }
    }
  });
  report.hot = hot;
  report.cold = cold;
  return report;
}

}  // namespace coldframe::sensor
