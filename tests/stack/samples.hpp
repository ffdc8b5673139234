// Stacks of simulated samples for the tests of combining.
#pragma once

#include <cmath>
#include <cstdint>
#include <functional>
#include <vector>

#include "coldframe/core/random.hpp"
#include "coldframe/stack/combine.hpp"

namespace coldframe::stack::test {

/// Subs with their masks, and what comes out.
struct Stack {
  Rect tile;
  std::vector<Grid<float>> values;
  std::vector<Mask> masks;
  std::vector<BlockCoefficients> models;  ///< one per sub, the same in all blocks

  Stack(Rect tile_, std::size_t subs, BlockCoefficients model = {1.0F, 1.0F, 0.0F, 0.0F})
      : tile(tile_), models(subs, model) {
    for (std::size_t i = 0; i < subs; ++i) {
      values.emplace_back(tile.size(), 0.0F);
      masks.emplace_back(tile.size(), std::uint8_t{0});
    }
  }
  void fill(const std::function<double(std::size_t sub, int x, int y)>& value) {
    for (std::size_t i = 0; i < values.size(); ++i) {
      for (int y = 0; y < tile.height(); ++y) {
        for (int x = 0; x < tile.width(); ++x) {
          values[i](x, y) = static_cast<float>(value(i, x + tile.x0, y + tile.y0));
        }
      }
    }
  }
  /// Gaussian noise of the models' variance about a level.
  void fill_noise(std::uint64_t seed, double level) {
    for (std::size_t i = 0; i < values.size(); ++i) {
      RandomStream random(seed, 11, i);
      const BlockCoefficients& m = models[i];
      const double light = level - static_cast<double>(m.pedestal);
      const double sd = std::sqrt(static_cast<double>(m.constant) +
                                  static_cast<double>(m.slope) * (light > 0.0 ? light : 0.0));
      for (int y = 0; y < tile.height(); ++y) {
        for (float& v : values[i].row(y)) v = static_cast<float>(level + sd * random.normal());
      }
    }
  }
};

struct Combined {
  Grid<float> mean, variance, weight, scatter;
  Grid<std::uint16_t> low, high;
  Mask flags;
  std::vector<std::uint64_t> cuts;
  explicit Combined(Size s, std::size_t subs)
      : mean(s), variance(s), weight(s), scatter(s), low(s), high(s), flags(s), cuts(2 * subs) {}
};

/// Combines the part `part` (absolute) of a stack.
inline Combined combine_part(const Stack& stack, const Rect& part, const CombineOptions& options) {
  TileSamples samples;
  samples.tile = part;
  const Rect local{part.x0 - stack.tile.x0, part.y0 - stack.tile.y0, part.x1 - stack.tile.x0,
                   part.y1 - stack.tile.y0};
  const int blocks = samples.block_columns() * samples.block_rows();
  for (std::size_t i = 0; i < stack.values.size(); ++i) {
    samples.values.push_back(stack.values[i].view().crop(local));
    samples.masks.push_back(stack.masks[i].view().crop(local));
    for (int b = 0; b < blocks; ++b) samples.coefficients.push_back(stack.models[i]);
  }
  Combined out(part.size(), stack.values.size());
  const std::vector<float> exposure(stack.values.size(), 10.0F);
  const TileResult result{out.mean.view(),    out.variance.view(), out.weight.view(),
                          out.scatter.view(), out.low.view(),      out.high.view(),
                          out.flags.view()};
  combine_tile(samples, options, exposure, result, out.cuts);
  return out;
}

inline Combined combine(const Stack& stack, const CombineOptions& options) {
  return combine_part(stack, stack.tile, options);
}

struct Moments {
  double mean = 0.0;
  double variance = 0.0;
};

inline Moments moments(const Grid<float>& grid) {
  double sum = 0.0;
  double squares = 0.0;
  const auto n = static_cast<double>(grid.size().count());
  for (int y = 0; y < grid.height(); ++y) {
    for (const float v : grid.row(y)) sum += static_cast<double>(v);
  }
  const double mean = sum / n;
  for (int y = 0; y < grid.height(); ++y) {
    for (const float v : grid.row(y)) {
      squares += (static_cast<double>(v) - mean) * (static_cast<double>(v) - mean);
    }
  }
  return {mean, squares / (n - 1.0)};
}

}  // namespace coldframe::stack::test
