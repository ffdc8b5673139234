#include "coldframe/pipeline/combine_pass.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "combine_tile_loader.hpp"
#include "common_noise.hpp"
#include "depth_samples.hpp"
#include "sample_gains.hpp"
#include "strip_buffers.hpp"

namespace coldframe::pipeline {
namespace {

class Combiner {
 public:
  Combiner(std::span<const CombineSub> subs, const CombineSettings& settings,
           const MemoryPlan& plan, Threads threads)
      : subs_(subs),
        settings_(settings),
        threads_(threads),
        rows_(plan.strip_rows),
        columns_(plan.tile_columns > 0 ? plan.tile_columns : settings.canvas.width),
        buffers_(subs.size(), settings.planes, settings.canvas, plan.strip_rows, columns_),
        gains_(subs, settings),
        common_(subs, settings),
        depth_(subs.size(), settings.canvas),
        depth_plane_(settings.planes == 3 ? 1 : 0) {
    for (const auto& sub : subs) exposures_.push_back(static_cast<float>(sub.exposure_s));
    totals_.clipped.assign(2 * subs.size(), 0);
    totals_.samples.assign(subs.size(), 0);
    for (std::size_t p = 0; p < static_cast<std::size_t>(settings.planes); ++p) {
      totals_.noise_correlation.push_back(gains_.aperture_factors(p, common_));
    }
  }

  CombineTotals run(const Watch& watch, const std::function<void(const ResultStrip&)>& write) {
    const Size canvas = settings_.canvas;
    const auto strips = static_cast<std::size_t>((canvas.height + rows_ - 1) / rows_);
    for (std::size_t s = 0; s < strips; ++s) {
      watch.check();
      const int y0 = static_cast<int>(s) * rows_;
      const int y1 = std::min(y0 + rows_, canvas.height);
      for (int x0 = 0; x0 < canvas.width; x0 += columns_) {
        combine_one({x0, y0, std::min(x0 + columns_, canvas.width), y1}, watch);
      }
      for (int p = 0; p < settings_.planes; ++p) {
        write(buffers_.strip(p, y0, {0, 0, canvas.width, y1 - y0}));
      }
      watch.report("combine", s + 1, strips);
    }
    tell_depth();
    return std::move(totals_);
  }

 private:
  void combine_one(const Rect& tile, const Watch& watch) {
    const auto planes = static_cast<std::size_t>(settings_.planes);
    const Size size = tile.size();
    parallel_for(threads_, subs_.size(), [&](std::size_t i) {
      watch.check();
      std::vector<PlaneView<float>> values;
      std::vector<PlaneView<std::uint8_t>> masks;
      for (std::size_t p = 0; p < planes; ++p) {
        values.push_back(buffers_.value(i * planes + p, size));
        masks.push_back(buffers_.mask(i * planes + p, size));
      }
      load_sub_tile(subs_[i], settings_, tile, values, masks);
    });
    const int bands = (size.height + stack::block_px - 1) / stack::block_px;
    const auto jobs = static_cast<std::size_t>(bands) * planes;
    std::vector<std::vector<std::uint64_t>> clipped(jobs);
    parallel_for(threads_, jobs, [&](std::size_t job) {
      clipped[job].assign(2 * subs_.size(), 0);
      combine_band(tile, static_cast<int>(job % planes),
                   static_cast<int>(job / planes) * stack::block_px, clipped[job]);
    });
    for (const auto& counts : clipped) {
      for (std::size_t k = 0; k < counts.size(); ++k) totals_.clipped[k] += counts[k];
    }
    for (auto& samples : totals_.samples) {
      samples += static_cast<std::uint64_t>(tile.count()) * planes;
    }
  }

  void combine_band(const Rect& tile, int plane, int row, std::span<std::uint64_t> clipped) {
    const auto planes = static_cast<std::size_t>(settings_.planes);
    const int row_end = std::min(row + stack::block_px, tile.height());
    const Rect part{0, row, tile.width(), row_end};
    stack::TileSamples samples;
    samples.tile = {tile.x0, tile.y0 + row, tile.x1, tile.y0 + row_end};
    const auto blocks = static_cast<std::size_t>(samples.block_columns()) *
                        static_cast<std::size_t>(samples.block_rows());
    samples.coefficients.resize(subs_.size() * blocks);
    for (std::size_t i = 0; i < subs_.size(); ++i) {
      const auto index = i * planes + static_cast<std::size_t>(plane);
      samples.values.push_back(buffers_.value(index, tile.size()).crop(part));
      samples.masks.push_back(buffers_.mask(index, tile.size()).crop(part));
      fill_coefficients(subs_[i], settings_, samples.tile, plane,
                        gains_.gain(i, static_cast<std::size_t>(plane)),
                        std::span(samples.coefficients).subspan(i * blocks, blocks));
    }
    auto options = settings_.combine;
    options.sky_level = settings_.sky_level[static_cast<std::size_t>(plane)];
    const auto result = buffers_.result(plane, {tile.x0, row, tile.x1, row_end});
    stack::combine_tile(samples, options, exposures_, result, clipped);
    if (plane == depth_plane_) depth_.add(samples, result);
    if (common_.present()) add_common_noise(samples.tile, plane, result);
    for (int y = 0; y < result.variance.height(); ++y) {
      for (float& variance : result.variance.row(y)) variance = std::sqrt(variance);
    }
  }

  void tell_depth() {
    const auto plane = static_cast<std::size_t>(depth_plane_);
    std::vector<double> weights;
    for (const auto& sub : subs_) weights.push_back(sub.weights[plane]);
    totals_.depth = depth_.figures(weights, totals_.clipped, totals_.samples);
    totals_.depth.common_variance = gains_.common_variance(plane, common_);
  }

  // Block by block, like the noise of the samples.
  void add_common_noise(const Rect& tile, int plane, const stack::TileResult& result) const {
    constexpr int block = stack::block_px;
    CommonScratch scratch;
    for (int x0 = tile.x0 / block * block; x0 < tile.x1; x0 += block) {
      const int y0 = tile.y0 / block * block;
      const Point centre{x0 + block / 2.0, y0 + block / 2.0};
      const auto common =
          common_.at(centre, plane, 1, gains_.of(static_cast<std::size_t>(plane)), scratch);
      const Rect part = Rect{x0, tile.y0, x0 + block, tile.y1}.intersect(tile);
      for (int y = part.y0 - tile.y0; y < part.y1 - tile.y0; ++y) {
        for (int x = part.x0 - tile.x0; x < part.x1 - tile.x0; ++x) {
          result.variance(x, y) +=
              static_cast<float>(common.at(static_cast<double>(result.mean(x, y))));
        }
      }
    }
  }

  std::span<const CombineSub> subs_;
  const CombineSettings& settings_;
  Threads threads_;
  int rows_;
  int columns_;
  StripBuffers buffers_;
  SampleGains gains_;
  CommonNoise common_;
  DepthSamples depth_;
  int depth_plane_;
  std::vector<float> exposures_;
  CombineTotals totals_;
};

}  // namespace

CombineTotals combine_subs(std::span<const CombineSub> subs, const CombineSettings& settings,
                           const MemoryPlan& plan, Threads threads, const Watch& watch,
                           const std::function<void(const ResultStrip&)>& write) {
  Combiner combiner(subs, settings, plan, threads);
  return combiner.run(watch, write);
}

}  // namespace coldframe::pipeline
