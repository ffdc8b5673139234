#include "coldframe/sensor/defects.hpp"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <string>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "sensor/defect_growth.hpp"
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

/// Limit of one pixel of the dark: the frame's noise grows as the local variance of the master.
float dark_limit_at(float limit, double usual, const float* variance, std::size_t x) {
  const float ratio = variance != nullptr ? variance[x] / static_cast<float>(usual) : 1.0F;
  return limit * std::sqrt(std::max(ratio < 1.0e30F ? ratio : 1.0F, 1.0F));
}

/// Calls `look(x)` for the pixels of a row that are not `plain(x)`; in vectors while all are.
template <typename Plain, typename Look>
void look_closer(std::size_t width, const Plain& plain, const Look& look) {
  constexpr std::size_t run = 32;
  std::size_t x = 0;
  for (; x + run <= width; x += run) {
    int others = 0;
    for (std::size_t i = 0; i < run; ++i) others |= plain(x + i) ? 0 : 1;
    if (others == 0) continue;
    for (std::size_t i = 0; i < run; ++i) {
      if (!plain(x + i)) look(x + i);
    }
  }
  for (; x < width; ++x) {
    if (!plain(x)) look(x);
  }
}

/// Marks deviations of one row of the dark from the local median: beyond `limit` where the master
/// is as noisy as usual. `variance`: local ones, or null.
Counts mark_dark_row(std::span<const float> dark, const float* local, float limit, double usual,
                     const float* variance, std::span<std::uint8_t> mask) {
  Counts counts;
  // No pixel's limit is narrower; false for NaN.
  const auto plain = [&](std::size_t x) { return std::abs(dark[x] - local[x]) <= limit; };
  look_closer(dark.size(), plain, [&](std::size_t x) {
    const float deviation = dark[x] - local[x];
    if (std::abs(deviation) <= dark_limit_at(limit, usual, variance, x)) return;
    mask[x] |= mask_bit::defect;
    (deviation < 0.0F ? counts.low : counts.high) += 1;
  });
  return counts;
}

struct FlatLimits {
  float scatter = 0.0F;  ///< kappa sigma of the relative deviations where the flat is 1
  float least = 0.0F;
  float most = 0.0F;
};

std::int64_t mark_flat_row(std::span<const float> flat, const float* local,
                           const FlatLimits& limits, int step, bool at_end,
                           std::span<std::uint8_t> mask) {
  std::int64_t count = 0;
  const auto edge = static_cast<std::size_t>(step);
  // No pixel's limit is narrower.
  const auto plain = [&](std::size_t x) {
    const bool lit = (flat[x] > 0.0F) & (local[x] > 0.0F);
    return lit & (std::abs(flat[x] - local[x]) <= limits.least * local[x]);
  };
  look_closer(flat.size(), plain, [&](std::size_t x) {
    // Photon noise where vignetting leaves less light; at the frame's edge the median leans
    // inwards.
    const float level = std::clamp(local[x], 0.05F, 1.0F);
    const bool outermost = at_end || x < edge || x + edge >= flat.size();
    const float share = outermost ? limits.most : limits.scatter / std::sqrt(level);
    const float limit = std::clamp(share, limits.least, limits.most) * local[x];
    const bool good = flat[x] > 0.0F && std::abs(flat[x] - local[x]) <= limit;
    if (good) return;
    mask[x] |= mask_bit::defect;
    ++count;
  });
  return count;
}

/// Calls `take(value, local median)` for a sample of a plane's finite pixels.
template <typename Take>
void sample_deviations(PlaneView<const float> plane, int step, const Take& take) {
  LocalMedian median(plane, step);
  const int rows = std::max(plane.height() / 64, 1) | 1;  // odd: both rows of a mosaic
  const std::size_t columns =
      std::max<std::size_t>(static_cast<std::size_t>(plane.width()) / 256, 1) | 1U;
  for (int y = 0; y < plane.height(); y += rows) {
    const float* const local = median.row(y);
    const auto row = plane.row(y);
    for (std::size_t x = 0; x < row.size(); x += columns) {
      if (!std::isfinite(row[x]) || !(std::abs(local[x]) < 1.0e30F)) continue;
      take(static_cast<double>(row[x]), static_cast<double>(local[x]));
    }
  }
}

double scatter_of(std::vector<double>& sample) {
  return sample.size() < 100 ? 0.0 : robust_sigma(sample);
}

/// Robust scatter of flat / local median - 1, scaled to where the flat is 1.
double flat_scatter(PlaneView<const float> flat, int step) {
  std::vector<double> sample;
  sample_deviations(flat, step, [&](double value, double level) {
    if (level > 0.0) sample.push_back((value / level - 1.0) * std::sqrt(std::min(level, 1.0)));
  });
  return scatter_of(sample);
}

/// Robust scatter of dark - local median: the sensor's fixed pattern and the master's noise.
double dark_scatter(PlaneView<const float> dark, int step) {
  std::vector<double> sample;
  sample_deviations(dark, step,
                    [&](double value, double level) { sample.push_back(value - level); });
  return scatter_of(sample);
}

/// `local`: median variance about each pixel.
std::int64_t mark_unstable_row(std::span<const float> variance, const float* local, double usual,
                               float factor, std::span<std::uint8_t> mask) {
  std::int64_t count = 0;
  const auto least = static_cast<float>(usual);
  const auto plain = [&](std::size_t x) {
    const float here = local[x] < least ? least : local[x];
    return !(variance[x] > factor * here);
  };
  look_closer(variance.size(), plain, [&](std::size_t x) {
    if ((mask[x] & mask_bit::defect) != 0) return;
    mask[x] |= mask_bit::defect;
    ++count;
  });
  return count;
}

void check_sizes(PlaneView<const float> plane, PlaneView<std::uint8_t> mask, const char* name) {
  if (plane.empty() || plane.size() == mask.size()) return;
  throw Error(ErrorKind::usage, "",
              std::string("the ") + name + " and its defect map differ in size",
              "use masters of one size");
}

/// The master's own noise must not hide a defect that stands just at the limit.
float dark_limit(double kappa, double master_variance, double frame_noise_adu) {
  if (!(frame_noise_adu > 0.0)) return 0.0F;
  constexpr double margin = 2.0;  // sigma of the master: 97% of those at the limit
  const double allowance = std::min(margin * std::sqrt(master_variance) / frame_noise_adu, 0.75);
  return static_cast<float>((kappa - allowance) * frame_noise_adu);
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
  const double usual = dark_variance.empty() ? 0.0 : sampled_median(dark_variance);
  float limit = dark_limit(options.dark_kappa, usual, frame_noise_adu);
  // A pattern that most pixels have is taken out with the dark and makes no defects of them.
  if (limit > 0.0F && !dark.empty()) {
    limit = std::max(limit, static_cast<float>(options.dark_kappa * dark_scatter(dark, step)));
  }
  const auto factor = static_cast<float>(options.unstable_factor * options.unstable_factor);
  const FlatLimits flat_limits{
      flat.empty() ? 0.0F : static_cast<float>(options.flat_kappa * flat_scatter(flat, step)),
      static_cast<float>(options.flat_least), static_cast<float>(options.flat_most)};
  std::atomic<std::int64_t> hot{0}, cold{0}, bad_flat{0}, unstable{0};
  parallel_bands(threads, mask.height(), rows_per_band, [&](int y0, int y1) {
    LocalMedian dark_median(dark, step);
    LocalMedian flat_median(flat, step);
    LocalMedian variance_median(dark_variance, step);
    for (int y = y0; y < y1; ++y) {
      const float* const variance = usual > 0.0 ? variance_median.row(y) : nullptr;
      if (!dark.empty() && limit > 0.0F) {
        const Counts counts =
            mark_dark_row(dark.row(y), dark_median.row(y), limit, usual, variance, mask.row(y));
        hot += counts.high;
        cold += counts.low;
      }
      if (variance != nullptr) {
        unstable += mark_unstable_row(dark_variance.row(y), variance, usual, factor, mask.row(y));
      }
      if (!flat.empty()) {
        bad_flat += mark_flat_row(flat.row(y), flat_median.row(y), flat_limits, step,
                                  y < step || y + step >= flat.height(), mask.row(y));
      }
    }
  });
  DefectReport report;
  report.hot = hot;
  report.cold = cold;
  report.flat = bad_flat;
  report.unstable = unstable;
  if (!dark.empty() && limit > 0.0F) {
    report.clustered += grow_clusters(dark, {limit, 0.0F, step}, mask, threads);
    const LineLimits lines{options.column_kappa, frame_noise_adu, step};
    report.columns = mark_line_defects(dark, false, lines, mask, threads);
    report.rows = mark_line_defects(dark, true, lines, mask, threads);
  }
  if (!flat.empty()) {
    report.clustered += grow_clusters(
        flat, {flat_limits.least, std::max(flat_limits.scatter, flat_limits.least), step}, mask,
        threads);
    const LineLimits lines{options.column_kappa, options.flat_line_least, step};
    report.columns += mark_line_defects(flat, false, lines, mask, threads);
    report.rows += mark_line_defects(flat, true, lines, mask, threads);
  }
  return report;
}

}  // namespace coldframe::sensor
