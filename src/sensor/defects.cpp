#include "coldframe/sensor/defects.hpp"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <string>

#include "coldframe/core/error.hpp"
#include "sensor/line_defects.hpp"
#include "sensor/local_median.hpp"
#include "sensor/sampled_median.hpp"

namespace coldframe::sensor {
namespace {

constexpr int rows_per_band = 64;

struct Counts {
  std::int64_t high = 0;
  std::int64_t low = 0;
};

/// Marks deviations of one row of the dark beyond `limit` from the local median.
Counts mark_dark_row(std::span<const float> dark, const float* local, float limit,
                     std::span<std::uint8_t> mask) {
  Counts counts;
  for (std::size_t x = 0; x < dark.size(); ++x) {
    const float deviation = dark[x] - local[x];
    if (std::abs(deviation) <= limit) continue;  // false for NaN
    mask[x] |= mask_bit::defect;
    (deviation < 0.0F ? counts.low : counts.high) += 1;
  }
  return counts;
}

std::int64_t mark_flat_row(std::span<const float> flat, const float* local, float low, float high,
                           std::span<std::uint8_t> mask) {
  std::int64_t count = 0;
  for (std::size_t x = 0; x < flat.size(); ++x) {
    const bool good = flat[x] > 0.0F && flat[x] >= low * local[x] && flat[x] <= high * local[x];
    if (good) continue;
    mask[x] |= mask_bit::defect;
    ++count;
  }
  return count;
}

std::int64_t mark_unstable_row(std::span<const float> variance, float limit,
                               std::span<std::uint8_t> mask) {
  std::int64_t count = 0;
  for (std::size_t x = 0; x < variance.size(); ++x) {
    if (!(variance[x] > limit) || (mask[x] & mask_bit::defect) != 0) continue;
    mask[x] |= mask_bit::defect;
    ++count;
  }
  return count;
}

void check_sizes(PlaneView<const float> plane, PlaneView<std::uint8_t> mask, const char* name) {
  if (plane.empty() || plane.size() == mask.size()) return;
  throw Error(ErrorKind::usage, "",
              std::string("the ") + name + " and its defect map differ in size",
              "use masters of one size");
}

}  // namespace

DefectReport find_defects(PlaneView<const float> dark, PlaneView<const float> dark_variance,
                          PlaneView<const float> flat, double frame_noise_adu, CfaPattern cfa,
                          const DefectOptions& options, PlaneView<std::uint8_t> mask,
                          Threads threads) {
  check_sizes(dark, mask, "dark");
  check_sizes(dark_variance, mask, "dark's variance");
  check_sizes(flat, mask, "flat");
  const int step = colour_step(cfa);
  const auto limit = static_cast<float>(options.dark_kappa * frame_noise_adu);
  const double usual = dark_variance.empty() ? 0.0 : sampled_median(dark_variance);
  const auto unstable_limit =
      static_cast<float>(options.unstable_factor * options.unstable_factor * usual);
  std::atomic<std::int64_t> hot{0}, cold{0}, bad_flat{0}, unstable{0};
  parallel_bands(threads, mask.height(), rows_per_band, [&](int y0, int y1) {
    LocalMedian dark_median(dark, step);
    LocalMedian flat_median(flat, step);
    for (int y = y0; y < y1; ++y) {
      if (!dark.empty() && limit > 0.0F) {
        const Counts counts = mark_dark_row(dark.row(y), dark_median.row(y), limit, mask.row(y));
        hot += counts.high;
        cold += counts.low;
      }
      if (usual > 0.0)
        unstable += mark_unstable_row(dark_variance.row(y), unstable_limit, mask.row(y));
      if (!flat.empty()) {
        bad_flat +=
            mark_flat_row(flat.row(y), flat_median.row(y), static_cast<float>(options.flat_low),
                          static_cast<float>(options.flat_high), mask.row(y));
      }
    }
  });
  DefectReport report;
  report.hot = hot;
  report.cold = cold;
  report.flat = bad_flat;
  report.unstable = unstable;
  if (!dark.empty() && frame_noise_adu > 0.0) {
    const LineLimits lines{options.column_kappa, frame_noise_adu, step};
    report.columns = mark_line_defects(dark, false, lines, mask, threads);
    report.rows = mark_line_defects(dark, true, lines, mask, threads);
  }
  return report;
}

}  // namespace coldframe::sensor
