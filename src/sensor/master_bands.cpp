#include "sensor/master_bands.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

namespace coldframe::sensor {
namespace {

/// Tiles that one thread combines at a time, at absolute multiples of these.
constexpr int tile_width = 512;
constexpr int tile_height = stack::block_px;

/// One band of rows of all frames.
struct Band {
  std::vector<Grid<float>> values;
  std::vector<Mask> masks;
  Grid<float> subtract;
};

int rows_per_band(const CombinePlan& plan, Size size) {
  const std::size_t per_pixel = plan.frames.size() * 5 + (plan.subtract != nullptr ? 4 : 0);
  const std::size_t per_row = per_pixel * static_cast<std::size_t>(std::max(size.width, 1));
  const std::size_t rows = std::max<std::size_t>(plan.memory_bytes / per_row, 1);
  const int limited =
      static_cast<int>(std::min<std::size_t>(rows, static_cast<std::size_t>(size.height)));
  return limited >= size.height || limited < tile_height ? limited
                                                         : limited / tile_height * tile_height;
}

/// Brings one row of a frame to the scale on which frames are compared and marks what does not
/// count.
void prepare_row(std::span<float> values, std::span<std::uint8_t> mask, const float* subtract,
                 float saturation, float scale) {
  for (std::size_t x = 0; x < values.size(); ++x) {
    const float raw = values[x];
    const float value = ((subtract != nullptr ? raw - subtract[x] : raw)) * scale;
    const bool finite = value - value == 0.0F;
    const unsigned bits = (raw >= saturation ? unsigned{mask_bit::saturated} : 0U) |
                          (finite ? 0U : unsigned{mask_bit::not_finite});
    mask[x] = static_cast<std::uint8_t>(bits);
    values[x] = finite ? value : 0.0F;
  }
}

void read_band(const CombinePlan& plan, const Rect& rect, Band& band, Threads threads,
               const Watch& watch) {
  const Rect local{0, 0, rect.width(), rect.height()};
  if (plan.subtract != nullptr) plan.subtract->fill(0, rect, band.subtract.view().crop(local));
  parallel_for(threads, plan.frames.size(), [&](std::size_t i) {
    watch.check();
    const auto values = band.values[i].view().crop(local);
    plan.frames[i]->fill(0, rect, values);
    const auto scale = plan.levels.empty() ? 1.0F : static_cast<float>(1.0 / plan.levels[i]);
    for (int y = 0; y < rect.height(); ++y) {
      const float* subtract = plan.subtract != nullptr ? band.subtract.row(y).data() : nullptr;
      prepare_row(values.row(y), band.masks[i].row(y).first(values.row(y).size()), subtract,
                  static_cast<float>(plan.saturation_adu), scale);
    }
  });
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
      if ((samples.masks[i](x, y) & mask_bit::unusable) != 0) continue;
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
    samples.values.push_back(band.values[i].view().crop(local));
    samples.masks.push_back(band.masks[i].view().crop(local));
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
  const int rows = rows_per_band(plan, size);
  Band band;
  for (std::size_t i = 0; i < plan.frames.size(); ++i) {
    band.values.emplace_back(size.width, rows);
    band.masks.emplace_back(size.width, rows);
  }
  if (plan.subtract != nullptr) band.subtract = Grid<float>(size.width, rows);
  const std::vector<float> exposure(plan.frames.size(), 1.0F);
  for (int y0 = 0; y0 < size.height; y0 += rows) {
    const Rect rect{0, y0, size.width, std::min(y0 + rows, size.height)};
    read_band(plan, rect, band, threads, watch);
    const auto tiles = tiles_of(rect);
    parallel_for(threads, tiles.size(), [&](std::size_t t) {
      watch.check();
      combine_one(plan, band, y0, tiles[t], exposure, master);
    });
    watch.report("master", static_cast<std::size_t>(rect.y1),
                 static_cast<std::size_t>(size.height));
  }
}

}  // namespace coldframe::sensor
