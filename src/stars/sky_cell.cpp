/// \file
/// Statistics of one cell by a histogram.
///
/// A stride sample gives median and MAD; all values then go into bins of 1/16
/// sigma about it, and every round of clipping works on the bins alone, so the
/// cost does not grow with the number of rounds. Stars only ever add light:
/// when the clipped mean exceeds the median by more than chance, the level is
/// Pearson's (1895) mode, 3 median - 2 mean, and the noise comes from the half
/// below it. Otherwise the level is the biweight (Beers, Flynn & Gebhardt 1990),
/// which unlike the median is not quantised for integer data.
#include "stars/sky_cell.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <numbers>

#include "coldframe/core/statistics.hpp"
#include "stars/sky_kernel.hpp"

namespace coldframe::stars {
namespace {

constexpr int bins_per_sigma = 16;
constexpr int half_range_sigma = 12;
constexpr int bin_count = 2 * half_range_sigma * bins_per_sigma;
constexpr std::size_t sample_size = 256;

struct Start {
  double centre = 0.0;
  double sigma = 0.0;
};

double middle(std::span<const float> values) noexcept {
  return static_cast<double>(kth_smallest(values, values.size() / 2));
}

/// Median and scale of an evenly spaced sample; scale 0 only when it is constant.
Start rough_start(std::span<const float> values) noexcept {
  std::array<float, 2 * sample_size> sample{};
  const std::size_t stride = std::max<std::size_t>(1, values.size() / sample_size);
  std::size_t n = 0;
  for (std::size_t i = 0; i < values.size() && n < sample.size(); i += stride) {
    sample[n++] = values[i];
  }
  const std::span<float> used(sample.data(), n);
  Start start;
  start.centre = middle(used);
  double total = 0.0;
  for (float& value : used) {
    value = static_cast<float>(std::abs(static_cast<double>(value) - start.centre));
    total += static_cast<double>(value);
  }
  start.sigma = mad_to_sigma * middle(used);
  // More than half the sample on one code: fall back to the mean deviation.
  if (!(start.sigma > 0.0)) start.sigma = 1.2533 * total / static_cast<double>(n);
  return start;
}

/// Bins of equal width; positions and widths in bins, converted at the end.
class Histogram {
 public:
  Histogram(std::span<const float> values, const Start& start) noexcept
      : width_(start.sigma / bins_per_sigma), low_(start.centre - half_range_sigma * start.sigma) {
    const auto low = static_cast<float>(low_);
    const auto scale = static_cast<float>(1.0 / width_);
    constexpr std::size_t piece = 1024;
    std::array<std::uint16_t, piece> bins;
    // Neighbours in turn into two tables: equal bins in a row would wait for each other.
    std::array<std::uint32_t, bin_count + 2> others{};
    for (std::size_t from = 0; from < values.size(); from += piece) {
      const std::size_t n = std::min(piece, values.size() - from);
      find_bins(values.data() + from, n, low, scale, static_cast<float>(bin_count), bins.data());
      std::size_t i = 0;
      for (; i + 2 <= n; i += 2) {
        ++counts_[bins[i]];
        ++others[bins[i + 1]];
      }
      if (i < n) ++counts_[bins[i]];
    }
    for (std::size_t i = 0; i < counts_.size(); ++i) counts_[i] += others[i];
  }
  [[nodiscard]] std::uint32_t number(int bin) const noexcept {
    return counts_[static_cast<std::size_t>(bin + 1)];
  }
  [[nodiscard]] double count(int bin) const noexcept {
    return counts_[static_cast<std::size_t>(bin + 1)];
  }
  [[nodiscard]] double value(double position) const noexcept { return low_ + position * width_; }
  [[nodiscard]] double width() const noexcept { return width_; }

 private:
  double width_;
  double low_;
  std::array<std::uint32_t, bin_count + 2> counts_{};  // ends: everything outside
};

struct Range {
  int first = 0;
  int last = bin_count;  // half-open
  friend bool operator==(const Range&, const Range&) = default;
};

/// In bins, positions measured from the left edge of bin 0.
struct Moments {
  double n = 0.0;
  double mean = 0.0;
  double sd = 0.0;
  double median = 0.0;
};

/// Sums over bins in whole numbers, so that bins can be added and taken away exactly; positions
/// doubled: 2 bin + 1.
struct Totals {
  std::int64_t n = 0;
  std::int64_t sum = 0;
  std::int64_t squares = 0;

  void add(const Histogram& histogram, int first, int last, int sign) noexcept {
    std::array<std::int64_t, 3> part{};
    for (int b = first; b < last; ++b) {
      const std::int64_t count = histogram.number(b);
      const std::int64_t position = 2 * b + 1;
      part[0] += count;
      part[1] += count * position;
      part[2] += count * position * position;
    }
    n += sign * part[0];
    sum += sign * part[1];
    squares += sign * part[2];
  }
};

/// Each occupied bin reaches half way to the next occupied ones, so that integer data,
/// which leave bins between the codes empty, are interpolated between codes.
double median_of(const Histogram& histogram, const Range& range, std::int64_t total) noexcept {
  std::int64_t below = 0;
  int previous = -1;
  int bin = range.first;
  for (; bin < range.last; ++bin) {
    const std::int64_t n = histogram.number(bin);
    if (n == 0) continue;
    if (2 * (below + n) >= total) break;
    below += n;
    previous = bin;
  }
  int next = bin + 1;
  while (next < range.last && histogram.number(next) == 0) ++next;
  const int step_left = previous >= 0 ? bin - previous : next - bin;
  const int step_right = next < range.last ? next - bin : step_left;
  const double left = bin + 0.5 - 0.5 * step_left;
  const double right = bin + 0.5 + 0.5 * step_right;
  const double n = histogram.count(bin);
  const double share = 0.5 * static_cast<double>(total) - static_cast<double>(below);
  return n > 0.0 ? left + (right - left) * share / n : bin + 0.5;
}

Moments moments_of(const Totals& totals, const Histogram& histogram, const Range& range) noexcept {
  Moments m;
  m.n = static_cast<double>(totals.n);
  if (totals.n <= 0) return m;
  m.mean = 0.5 * static_cast<double>(totals.sum) / m.n;
  const double squares = 0.25 * static_cast<double>(totals.squares) / m.n;
  // Sheppard's correction takes out the spread inside a bin.
  m.sd = std::sqrt(std::max(0.0, squares - m.mean * m.mean - 1.0 / 12.0));
  m.median = median_of(histogram, range, totals.n);
  return m;
}

/// From the bins of `from` to those of `to`.
void move_to(const Histogram& histogram, const Range& from, const Range& to,
             Totals& totals) noexcept {
  const auto shift = [&](int old_end, int new_end, int sign) {
    if (new_end > old_end) totals.add(histogram, old_end, new_end, -sign);
    if (new_end < old_end) totals.add(histogram, new_end, old_end, sign);
  };
  shift(from.first, to.first, 1);
  shift(from.last, to.last, -1);
}

Moments clip(const Histogram& histogram, double kappa, int max_iterations, Range& range) noexcept {
  Totals totals;
  totals.add(histogram, range.first, range.last, 1);
  Moments m = moments_of(totals, histogram, range);
  for (int round = 0; round < max_iterations && m.n > 0.0; ++round) {
    const double reach = kappa * std::max(m.sd, 0.5);
    const Range next{std::max(0, static_cast<int>(std::ceil(m.median - reach - 0.5))),
                     std::min(bin_count, static_cast<int>(std::floor(m.median + reach - 0.5)) + 1)};
    if (next == range || next.last <= next.first) break;
    move_to(histogram, range, next, totals);
    range = next;
    m = moments_of(totals, histogram, range);
  }
  return m;
}

/// sigma of the Gaussian whose sd within +-reach is `sd`. Right whether or not clipping has
/// settled.
double untruncated(double sd, double reach, double kappa_guess) noexcept {
  double sigma = sd / kappa_guess;
  for (int round = 0; round < 12 && sigma > 0.0; ++round) {
    const double next = sd / std::max(truncated_sd(std::max(reach / sigma, 1.0)), 0.3);
    const bool settled = std::abs(next - sigma) < 1e-4 * sigma;
    sigma = next;
    if (settled) break;
  }
  return sigma;
}

double biweight_of(const Histogram& histogram, double centre, double sigma) noexcept {
  constexpr double reach = 4.0;
  for (int round = 0; round < 3; ++round) {
    double sum = 0.0;
    double weights = 0.0;
    const int first = std::max(0, static_cast<int>(centre - reach * sigma) - 1);
    const int last = std::min(bin_count, static_cast<int>(centre + reach * sigma) + 2);
    for (int b = first; b < last; ++b) {
      const double u = (b + 0.5 - centre) / (reach * sigma);
      if (u <= -1.0 || u >= 1.0) continue;
      const double w = histogram.count(b) * (1.0 - u * u) * (1.0 - u * u);
      sum += w * (b + 0.5);
      weights += w;
    }
    if (weights <= 0.0) break;
    centre = sum / weights;
  }
  return centre;
}

/// rms of what lies below `level`, down to kappa sigma: untouched by stars.
double lower_half_sd(const Histogram& histogram, double level, double sigma,
                     const CellClipping& clipping) noexcept {
  double n = 0.0;
  double squares = 0.0;
  for (int b = std::max(0, static_cast<int>(level - clipping.kappa * sigma)); b + 0.5 < level;
       ++b) {
    const double d = b + 0.5 - level;
    n += histogram.count(b);
    squares += histogram.count(b) * d * d;
  }
  return n > 0.0 ? std::sqrt(std::max(0.0, squares / n)) / clipping.truncated : sigma;
}

}  // namespace

double truncated_sd(double kappa) noexcept {
  const double density = std::exp(-0.5 * kappa * kappa) / std::sqrt(2.0 * std::numbers::pi);
  const double kept = std::erf(kappa / std::numbers::sqrt2);
  return kept > 0.0 ? std::sqrt(std::max(0.0, 1.0 - 2.0 * kappa * density / kept)) : 0.0;
}

double clipped_sd_fixed_point(double kappa) noexcept {
  double s = 1.0;
  for (int round = 0; round < 200; ++round) s = truncated_sd(kappa * s);
  return s;
}

SkyCell estimate_cell(std::span<const float> values, const CellClipping& clipping) noexcept {
  SkyCell cell;
  if (values.size() < static_cast<std::size_t>(least_cell_values)) return cell;
  const Start start = rough_start(values);
  cell.valid = std::isfinite(start.centre);
  cell.level = static_cast<float>(start.centre);
  // A spread below the resolution of float32 is no noise.
  if (!(start.sigma > 1e-6 * std::abs(start.centre)) || !std::isfinite(start.sigma)) return cell;
  const Histogram histogram(values, start);
  Range range;
  const Moments m = clip(histogram, clipping.kappa, clipping.max_iterations, range);
  if (m.n < 0.5 * least_cell_values) return cell;
  // 0.756 = sd of (mean - median) sqrt(n)/sigma for a Gaussian: sqrt(pi/2 - 1).
  const double excess = m.mean - m.median;
  const double chance = 2.5 * 0.756 * m.sd / std::sqrt(m.n);
  double level = biweight_of(histogram, m.median, std::max(m.sd, 0.5));
  double sd = untruncated(m.sd, 0.5 * (range.last - range.first), clipping.fixed_point);
  if (excess > chance) {
    level = m.median - std::min(2.0 * excess, 1.5 * m.sd);
    sd = std::min(sd, lower_half_sd(histogram, level, m.sd, clipping));
  }
  cell.level = static_cast<float>(histogram.value(level));
  cell.noise = static_cast<float>(sd * histogram.width());
  return cell;
}

}  // namespace coldframe::stars
