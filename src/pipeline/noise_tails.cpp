#include "noise_tails.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

namespace coldframe::pipeline {
namespace {

constexpr double limit = 4.0;          // of the default rejection rule
constexpr double largest = 2.0;        // beyond it the frame is not understood at all
constexpr double least_excess = 0.03;  // levels and core are not known better
constexpr int bins_per_sigma = 64;
constexpr std::int64_t most_samples = 1'000'000;  // the spread is known to 0.1 % by then
constexpr auto bin_count = static_cast<std::size_t>(limit * largest * bins_per_sigma);

/// Samples below the sky by their distance in units of the noise; the last bin takes the rest.
using Histogram = std::array<std::uint64_t, bin_count + 1>;

/// Every so manieth row; odd, so that rows of both parities take part.
int row_step(Size grid) noexcept {
  const auto step = static_cast<int>(grid.count() / most_samples);
  return step <= 1 ? 1 : step | 1;
}

Histogram below_sky(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                    const ChannelSky& sky, Threads threads) {
  constexpr int rows = 64;
  const Size grid = sky.mesh.frame;
  const int step = row_step(grid);
  std::vector<Histogram> parts(static_cast<std::size_t>((grid.height + rows - 1) / rows));
  parallel_bands(threads, grid.height, rows, [&](int y0, int y1) {
    Histogram& part = parts[static_cast<std::size_t>(y0 / rows)];
    std::vector<float> level(static_cast<std::size_t>(grid.width));
    std::vector<float> noise(static_cast<std::size_t>(grid.width));
    for (int y = (y0 + step - 1) / step * step; y < y1; y += step) {
      const int row = y * sky.step + sky.offset_y;
      if (row >= image.height()) break;
      sky.mesh.level_row(y, 0, level);
      sky.mesh.noise_row(y, 0, noise);
      for (std::size_t x = 0; x < level.size(); ++x) {
        const int column = static_cast<int>(x) * sky.step + sky.offset_x;
        if (column >= image.width()) break;
        const float below = level[x] - image(column, row);
        if (mask(column, row) != 0 || !(below > 0.0F) || !(noise[x] > 0.0F)) continue;
        const auto bin = static_cast<double>(below / noise[x]) * bins_per_sigma;
        ++part[bin < static_cast<double>(bin_count) ? static_cast<std::size_t>(bin) : bin_count];
      }
    }
  });
  Histogram total{};
  for (const auto& part : parts) {
    for (std::size_t k = 0; k < part.size(); ++k) total[k] += part[k];
  }
  return total;
}

/// Root mean square of the distances up to `end` bins, in units of the noise.
double spread_within(const Histogram& histogram, std::size_t end) {
  double count = 0.0;
  double squares = 0.0;
  for (std::size_t k = 0; k < std::min(end, bin_count); ++k) {
    const double t = (static_cast<double>(k) + 0.5) / bins_per_sigma;
    count += static_cast<double>(histogram[k]);
    squares += static_cast<double>(histogram[k]) * t * t;
  }
  return count > 0.0 ? std::sqrt(squares / count) : 1.0;
}

/// Scale of the core below the sky: a level that is off shifts it as it shifts the spread.
double core_scale(const Histogram& histogram) {
  constexpr double quartile = 0.6744897501960817;  // of |t| for a Gaussian
  std::uint64_t all = 0;
  for (const auto count : histogram) all += count;
  std::uint64_t sum = 0;
  for (std::size_t k = 0; k < bin_count; ++k) {
    if (2 * (sum + histogram[k]) >= all) {
      const double share = (0.5 * static_cast<double>(all) - static_cast<double>(sum)) /
                           std::max(static_cast<double>(histogram[k]), 1.0);
      return (static_cast<double>(k) + share) / bins_per_sigma / quartile;
    }
    sum += histogram[k];
  }
  return largest;
}

}  // namespace

double tail_factor(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                   const ChannelSky& sky, Threads threads) {
  constexpr std::uint64_t enough = 2000;
  constexpr double truncated = 0.99946;  // sd of a unit Gaussian within 4 sigma
  const Histogram histogram = below_sky(image, mask, sky, threads);
  std::uint64_t all = 0;
  for (const auto count : histogram) all += count;
  if (all < enough) return 1.0;
  const double core = std::max(core_scale(histogram), 1.0);
  double factor = 1.0;
  // The wider the limit, the more of the wings is in: a few rounds settle.
  for (int round = 0; round < 20; ++round) {
    const auto end = static_cast<std::size_t>(limit * factor * core * bins_per_sigma);
    const double next = spread_within(histogram, end) / (truncated * core);
    const bool settled = std::fabs(next - factor) < 1e-4;
    factor = std::clamp(next, 1.0, largest);
    if (settled) break;
  }
  return factor > 1.0 + least_excess ? factor : 1.0;
}

void count_tails(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, ChannelSky& sky,
                 Threads threads) {
  const auto factor = static_cast<float>(tail_factor(image, mask, sky, threads));
  if (!(factor > 1.0F)) return;
  for (int j = 0; j < sky.mesh.noise.height(); ++j) {
    for (float& noise : sky.mesh.noise.row(j)) noise *= factor;
  }
}

}  // namespace coldframe::pipeline
