#include "sensor/master_bands.hpp"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <limits>

#include "sensor/calibrate_kernel.hpp"

namespace coldframe::sensor {
namespace {

/// Tiles that one thread combines at a time, at absolute multiples of these.
constexpr int tile_width = 512;
constexpr int tile_height = stack::block_px;

/// One band of rows of all frames: frame i's rows begin at row i * rows.
struct Band {
  int rows = 0;
  Grid<float> values;
  Mask masks;
  std::vector<std::uint8_t> marked;  ///< whether any mask bit of the frame's rows is set
  Grid<float> subtract;

  Band(const CombinePlan& plan, int width, int rows_of_each)
      : rows(rows_of_each),
        values(width, rows * static_cast<int>(plan.frames.size())),
        masks(width, rows * static_cast<int>(plan.frames.size())),
        marked(plan.frames.size()),
        subtract(plan.subtract != nullptr ? Grid<float>(width, rows) : Grid<float>()) {}

  [[nodiscard]] Rect place(std::size_t frame, const Rect& local) const noexcept {
    const int y = rows * static_cast<int>(frame);
    return {local.x0, local.y0 + y, local.x1, local.y1 + y};
  }
};

/// Each thread reads and combines bands of its own, so that reading and computing overlap and
/// what was read is still in the cache when it is combined. Bands end at tiles' edges.
int rows_per_band(const CombinePlan& plan, Size size, Threads threads) {
  constexpr std::size_t cached = std::size_t{16} << 20U;
  const std::size_t per_pixel = plan.frames.size() * 5 + (plan.subtract != nullptr ? 4 : 0);
  const std::size_t per_row = per_pixel * static_cast<std::size_t>(std::max(size.width, 1));
  const std::size_t own = plan.memory_bytes / static_cast<std::size_t>(threads.resolved());
  int rows = tile_height;
  while (rows > 1 && static_cast<std::size_t>(rows) * per_row > own) rows /= 2;
  while (rows > 8 && static_cast<std::size_t>(rows) * per_row > cached) rows /= 2;
  return std::min(rows, size.height);
}

void read_band(const CombinePlan& plan, const Rect& rect, Band& band) {
  const Rect local{0, 0, rect.width(), rect.height()};
  if (plan.subtract != nullptr) plan.subtract->fill(0, rect, band.subtract.view().crop(local));
  for (std::size_t i = 0; i < plan.frames.size(); ++i) {
    const auto values = band.values.view().crop(band.place(i, local));
    const auto masks = band.masks.view().crop(band.place(i, local));
    plan.frames[i]->fill(0, rect, values);
    CalibrationRow how;
    how.constant_multiply = plan.levels.empty() ? 1.0F : static_cast<float>(1.0 / plan.levels[i]);
    how.saturation = static_cast<float>(plan.saturation_adu);
    std::uint8_t seen = 0;
    for (int y = 0; y < rect.height(); ++y) {
      if (plan.subtract != nullptr) how.subtract = band.subtract.row(y).data();
      const auto bits = masks.row(y);
      calibrate_row(how, values.row(y).data(), bits.data(), bits.size());
      for (const std::uint8_t b : bits) seen = static_cast<std::uint8_t>(seen | b);
    }
    band.marked[i] = seen;
  }
}

stack::BlockCoefficients coefficients(const CombinePlan& plan, std::size_t i) {
  stack::BlockCoefficients c;
  if (plan.levels.empty()) {
    c.constant = static_cast<float>(plan.noise.a);
    c.slope = static_cast<float>(plan.noise.b);
    c.pedestal = static_cast<float>(plan.pedestal);
    return c;
  }
  // Photon noise: the relative variance of a flat falls as its level, so the level is its weight.
  const double level = plan.levels[i];
  c.weight = static_cast<float>(level / *std::max_element(plan.levels.begin(), plan.levels.end()));
  c.constant = static_cast<float>(plan.noise.a / (level * level));
  c.slope = static_cast<float>(plan.noise.b / level);
  return c;
}

/// Value that a chi-square of `dof` over dof exceeds by chance in 10^-5 of pixels (Wilson &
/// Hilferty 1931).
double scatter_limit(std::size_t dof) {
  const double share = 2.0 / (9.0 * static_cast<double>(dof));
  const double root = 1.0 - share + 4.265 * std::sqrt(share);
  return root * root * root;
}

/// Results of one tile that only decide its variance.
struct TileWork {
  Grid<float> scatter{tile_width, tile_height};
  Grid<std::uint16_t> low{tile_width, tile_height};
  Grid<std::uint16_t> high{tile_width, tile_height};
};

/// Plain sample variance of the mean of all usable samples of one pixel.
double full_scatter(const stack::TileSamples& samples, int x, int y) {
  double sum = 0.0;
  double squares = 0.0;
  std::size_t count = 0;
  for (const bool second : {false, true}) {
    const double mean = count > 0 ? sum / static_cast<double>(count) : 0.0;
    for (std::size_t i = 0; i < samples.values.size(); ++i) {
      const bool masked = !samples.masks[i].empty();
      if (masked && (samples.masks[i](x, y) & mask_bit::unusable) != 0) continue;
      const auto value = static_cast<double>(samples.values[i](x, y));
      if (second) {
        squares += (value - mean) * (value - mean);
      } else {
        sum += value;
        ++count;
      }
    }
  }
  if (count < 2) return 0.0;
  return squares / static_cast<double>((count - 1) * count);
}

/// The pooled model's variance stands unless the pixel's own scatter is larger than chance allows;
/// a pixel with a good part of its samples cut (two levels) shows in the scatter of all samples.
void settle_variance(const stack::TileSamples& samples, const TileWork& work, double limit,
                     PlaneView<float> variance) {
  const auto count = samples.values.size();
  const auto many_cut = std::max<std::size_t>(2, (count + 9) / 10);
  for (int y = 0; y < variance.height(); ++y) {
    for (int x = 0; x < variance.width(); ++x) {
      const auto cut = static_cast<std::size_t>(work.low(x, y)) + work.high(x, y);
      const double own =
          cut >= many_cut ? full_scatter(samples, x, y) : static_cast<double>(work.scatter(x, y));
      if (own > limit * static_cast<double>(variance(x, y)))
        variance(x, y) = static_cast<float>(own);
    }
  }
}

void combine_one(const CombinePlan& plan, const Band& band, int band_y0, const Rect& tile,
                 const std::vector<float>& exposure, Master& master) {
  stack::TileSamples samples;
  samples.tile = tile;
  const Rect local{tile.x0, tile.y0 - band_y0, tile.x1, tile.y1 - band_y0};
  for (std::size_t i = 0; i < plan.frames.size(); ++i) {
    const Rect place = band.place(i, local);
    samples.values.push_back(band.values.view().crop(place));
    samples.masks.push_back(band.marked[i] != 0 ? band.masks.view().crop(place)
                                                : PlaneView<const std::uint8_t>());
  }
  const auto blocks = static_cast<std::size_t>(samples.block_columns()) *
                      static_cast<std::size_t>(samples.block_rows());
  samples.coefficients.reserve(blocks * plan.frames.size());
  for (std::size_t i = 0; i < plan.frames.size(); ++i) {
    samples.coefficients.insert(samples.coefficients.end(), blocks, coefficients(plan, i));
  }
  TileWork work;
  const Rect own{0, 0, tile.width(), tile.height()};
  stack::TileResult result;
  result.mean = master.value.view().crop(tile);
  result.variance = master.variance.view().crop(tile);
  result.flags = master.mask.view().crop(tile);
  result.scatter_variance = work.scatter.view().crop(own);
  result.clipped_low = work.low.view().crop(own);
  result.clipped_high = work.high.view().crop(own);
  stack::combine_tile(samples, plan.combine, exposure, result, {});
  if (plan.frames.size() >= 2) {
    settle_variance(samples, work, scatter_limit(plan.frames.size() - 1), result.variance);
  }
}

std::vector<Rect> tiles_of(const Rect& band) {
  std::vector<Rect> tiles;
  for (int y = band.y0; y < band.y1;) {
    const int y1 = std::min((y / tile_height + 1) * tile_height, band.y1);
    for (int x = 0; x < band.x1; x += tile_width) {
      tiles.push_back({x, y, std::min(x + tile_width, band.x1), y1});
    }
    y = y1;
  }
  return tiles;
}

}  // namespace

void combine_frames(const CombinePlan& plan, Master& master, Threads threads, const Watch& watch) {
  const Size size = master.value.size();
  const int rows = rows_per_band(plan, size, threads);
  const std::vector<float> exposure(plan.frames.size(), 1.0F);
  const int bands = (size.height + rows - 1) / rows;
  // A few bands of a thread share its buffers; the largest runs leave threads idle at the end.
  const int per_run = std::clamp(bands / (8 * threads.resolved()), 1, 64);
  std::atomic<int> done{0};
  parallel_bands(threads, bands, per_run, [&](int first, int last) {
    Band band(plan, size.width, rows);
    for (int k = first; k < last; ++k) {
      watch.check();
      const Rect rect{0, k * rows, size.width, std::min((k + 1) * rows, size.height)};
      read_band(plan, rect, band);
      for (const Rect& tile : tiles_of(rect)) {
        combine_one(plan, band, rect.y0, tile, exposure, master);
      }
      done += rect.height();
    }
    watch.report("master", static_cast<std::size_t>(done.load()),
                 static_cast<std::size_t>(size.height));
  });
}

}  // namespace coldframe::sensor
