#include "depth_samples.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline {
namespace {

constexpr int most_blocks = 2000;
constexpr int offset = (stack::block_px - depth_block_px) / 2;
constexpr float not_there = std::numeric_limits<float>::quiet_NaN();
constexpr float outlier = 5.0F;  // sigma; what rejection takes out is no noise of a sub

}  // namespace

DepthSamples::DepthSamples(std::size_t subs, Size canvas) : canvas_(canvas) {
  const auto lattice = [&](int step) {
    columns_ = canvas.width / (step * stack::block_px);
    rows_ = canvas.height / (step * stack::block_px);
    return columns_ * rows_;
  };
  while (lattice(step_) > most_blocks) ++step_;
  const int count = columns_ * rows_;
  means_ = Grid<float>(static_cast<int>(subs), count, not_there);
  used_ = Grid<float>(static_cast<int>(subs), count, 0.0F);
  achieved_.assign(static_cast<std::size_t>(count), std::numeric_limits<double>::quiet_NaN());
  ideal_ = achieved_;
}

void DepthSamples::add(const stack::TileSamples& samples, const stack::TileResult& result) {
  const Rect& tile = samples.tile;
  const int stride = step_ * stack::block_px;
  const int first_column = tile.x0 / stack::block_px, first_row = tile.y0 / stack::block_px;
  for (int j = (tile.y0 + stride - 1) / stride; j < rows_ && j * stride < tile.y1; ++j) {
    for (int i = (tile.x0 + stride - 1) / stride; i < columns_ && i * stride < tile.x1; ++i) {
      const int x = i * stride + offset - tile.x0, y = j * stride + offset - tile.y0;
      const Rect part{x, y, x + depth_block_px, y + depth_block_px};
      if (!whole(tile.size()).contains(part)) continue;
      const int block =
          (j * step_ - first_row) * samples.block_columns() + i * step_ - first_column;
      add_block(samples, result, part, static_cast<std::size_t>(j * columns_ + i),
                static_cast<std::size_t>(block));
    }
  }
}

void DepthSamples::add_block(const stack::TileSamples& samples, const stack::TileResult& result,
                             const Rect& part, std::size_t slot, std::size_t coefficients) {
  const auto blocks = static_cast<std::size_t>(samples.block_columns()) *
                      static_cast<std::size_t>(samples.block_rows());
  constexpr double pixels = depth_block_px * depth_block_px;
  double achieved = 0.0, level = 0.0;
  for (int y = part.y0; y < part.y1; ++y) {
    for (int x = part.x0; x < part.x1; ++x) {
      achieved += static_cast<double>(result.variance(x, y));
      level += static_cast<double>(result.mean(x, y));
    }
  }
  if (!std::isfinite(achieved)) return;
  double information = 0.0;
  for (std::size_t i = 0; i < samples.values.size(); ++i) {
    const auto& c = samples.coefficients[i * blocks + coefficients];
    const float light = static_cast<float>(level / pixels) - c.pedestal;
    const float variance = c.constant + c.slope * std::max(light, 0.0F);
    double sum = 0.0;
    int used = 0, outside = 0;
    for (int y = part.y0; y < part.y1; ++y) {
      for (int x = part.x0; x < part.x1; ++x) {
        const std::uint8_t bits = samples.masks[i](x, y);
        outside += (bits & mask_bit::outside) != 0 ? 1 : 0;
        const float d = samples.values[i](x, y) - result.mean(x, y);
        if ((bits & mask_bit::unusable) != 0 || !(d * d <= outlier * outlier * variance)) continue;
        sum += static_cast<double>(samples.values[i](x, y));
        ++used;
      }
    }
    const auto sub = static_cast<int>(i);
    const auto row = static_cast<int>(slot);
    used_(sub, row) = static_cast<float>(used / pixels);
    if (used >= 0.9 * pixels) means_(sub, row) = static_cast<float>(sum / used);
    // The ideal combination has every sub that looks there, at its best weight.
    if (outside == 0 && variance > 0.0F && c.weight > 0.0F) {
      information += 1.0 / static_cast<double>(variance);
    }
  }
  if (!(information > 0.0)) return;
  achieved_[slot] = achieved / pixels;
  ideal_[slot] = 1.0 / information;
}

DepthFigures DepthSamples::figures(std::span<const double> weights,
                                   std::span<const std::uint64_t> clipped,
                                   std::span<const std::uint64_t> samples) const {
  DepthFigures figures;
  double achieved = 0.0, ideal = 0.0;
  for (std::size_t b = 0; b < achieved_.size(); ++b) {
    if (!std::isfinite(achieved_[b])) continue;
    achieved += achieved_[b];
    ideal += ideal_[b];
  }
  if (achieved > 0.0) figures.snr_of_ideal = std::sqrt(ideal / achieved);
  double total = 0.0;
  for (std::size_t i = 0; i < weights.size(); ++i) {
    double shown = 0.0;
    for (int b = 0; b < used_.height(); ++b) {
      shown += static_cast<double>(used_(static_cast<int>(i), b));
    }
    const auto count = static_cast<double>(std::max<std::uint64_t>(samples[i], 1));
    const auto cut = static_cast<double>(clipped[2 * i] + clipped[2 * i + 1]);
    const double part = shown / std::max(used_.height(), 1) * (1.0 - cut / count);
    figures.contribution.push_back(weights[i] * part);
    total += figures.contribution.back();
  }
  for (double& share : figures.contribution) share = total > 0.0 ? share / total : 0.0;
  figures.growth = measure_growth(means_.cview(), weights);
  return figures;
}

}  // namespace coldframe::pipeline
