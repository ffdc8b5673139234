#include "coldframe/pipeline/combine_pass.hpp"

#include <algorithm>
#include <cmath>
#include <optional>

#include "coldframe/core/error.hpp"
#include "combine_tile_loader.hpp"

namespace coldframe::pipeline {
namespace {

// All buffers of a strip, allocated once.
class StripBuffers {
 public:
  StripBuffers(std::size_t subs, int planes, Size canvas, int rows, int columns) {
    for (std::size_t i = 0; i < subs * static_cast<std::size_t>(planes); ++i) {
      values_.emplace_back(columns, rows);
      masks_.emplace_back(columns, rows);
    }
    for (int p = 0; p < planes; ++p) {
      mean_.emplace_back(canvas.width, rows);
      uncertainty_.emplace_back(canvas.width, rows);
      weight_.emplace_back(canvas.width, rows);
      low_.emplace_back(canvas.width, rows);
      high_.emplace_back(canvas.width, rows);
      flags_.emplace_back(canvas.width, rows);
    }
  }
  [[nodiscard]] PlaneView<float> value(std::size_t index, Size tile) {
    return values_[index].view().crop(whole(tile));
  }
  [[nodiscard]] PlaneView<std::uint8_t> mask(std::size_t index, Size tile) {
    return masks_[index].view().crop(whole(tile));
  }
  /// Result views of one plane for rows [y0, y1) and columns [x0, x1) of the strip.
  [[nodiscard]] stack::TileResult result(int plane, const Rect& part) {
    const auto p = static_cast<std::size_t>(plane);
    stack::TileResult r;
    r.mean = mean_[p].view().crop(part);
    r.variance = uncertainty_[p].view().crop(part);
    r.weight_sum = weight_[p].view().crop(part);
    r.clipped_low = low_[p].view().crop(part);
    r.clipped_high = high_[p].view().crop(part);
    r.flags = flags_[p].view().crop(part);
    return r;
  }
  [[nodiscard]] ResultStrip strip(int plane, int y0, const Rect& part) {
    const auto r = result(plane, part);
    return {plane, y0, r.mean, r.variance, r.weight_sum, r.clipped_low, r.clipped_high, r.flags};
  }

 private:
  std::vector<Grid<float>> values_;
  std::vector<Mask> masks_;
  std::vector<Grid<float>> mean_, uncertainty_, weight_;
  std::vector<Grid<std::uint16_t>> low_, high_;
  std::vector<Mask> flags_;
};

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
        gains_(subs.size() * static_cast<std::size_t>(settings.planes)) {
    for (const auto& sub : subs) exposures_.push_back(static_cast<float>(sub.exposure_s));
    totals_.clipped.assign(2 * subs.size(), 0);
    totals_.samples.assign(subs.size(), 0);
    choose_gains();
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
    return std::move(totals_);
  }

 private:
  // Variance gain per sub and plane: exact per block for smooth phases of a
  // mono frame (marked by -1), the mean over phases otherwise.
  void choose_gains() {
    const auto planes = static_cast<std::size_t>(settings_.planes);
    std::vector<double> top(planes, 0.0);
    std::vector<double> bottom(planes, 0.0);
    for (std::size_t i = 0; i < subs_.size(); ++i) {
      const auto& sub = subs_[i];
      NoiseResponse response;
      const bool mosaic = sub.calibration->cfa != CfaPattern::none;
      const bool exact = !settings_.identity && !mosaic && phase_is_smooth(sub.transform);
      if (!settings_.identity) response = response_of(sub);
      const Point middle{std::floor(settings_.canvas.width / 2.0),
                         std::floor(settings_.canvas.height / 2.0)};
      for (std::size_t p = 0; p < planes; ++p) {
        gains_[i * planes + p] = exact ? -1.0 : response.pixel[p];
        const double pixel =
            exact ? align::noise_gain(sub.transform, middle, settings_.resample.kernel)
                  : response.pixel[p];
        const double noise = (*sub.sky)[p].mesh.median_noise() * sub.scale * sub.weights[p];
        // A canvas pixel holds the light of `area` sub pixels. A kernel whose weights sum to 1
        // keeps the variance of large means; only a mosaic's sparse samples raise it.
        const double area = settings_.identity ? 1.0 : area_on_canvas(sub, middle);
        top[p] += noise * noise * area * (mosaic ? response.aperture[p] : 1.0);
        bottom[p] += noise * noise * area * area * pixel;
      }
    }
    for (std::size_t p = 0; p < planes; ++p) {
      totals_.noise_correlation.push_back(bottom[p] > 0.0 ? std::sqrt(top[p] / bottom[p]) : 1.0);
    }
  }

  static double area_on_canvas(const CombineSub& sub, Point canvas) noexcept {
    const auto j = sub.transform.jacobian(sub.transform.unapply(canvas));
    return 1.0 / std::fabs(j[0] * j[3] - j[1] * j[2]);
  }

  // One response per pattern, with the noise of the first sub that has it:
  // what counts is the ratio of the colours, a fact of sensor and sky.
  const NoiseResponse& response_of(const CombineSub& sub) {
    const CfaPattern cfa = sub.calibration->cfa;
    auto& known = responses_[static_cast<std::size_t>(cfa)];
    if (known) return *known;
    std::array<double, 3> noise{1.0, 1.0, 1.0};
    for (std::size_t p = 0; cfa != CfaPattern::none && p < 3; ++p) {
      noise[p] = std::max((*sub.sky)[p].mesh.median_noise(), 1e-6);
    }
    known = noise_response(cfa, settings_.demosaic, settings_.resample, noise);
    return *known;
  }

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
      fill_coefficients(subs_[i], settings_, samples.tile, plane, gains_[index],
                        std::span(samples.coefficients).subspan(i * blocks, blocks));
    }
    auto options = settings_.combine;
    options.sky_level = settings_.sky_level[static_cast<std::size_t>(plane)];
    const auto result = buffers_.result(plane, {tile.x0, row, tile.x1, row_end});
    stack::combine_tile(samples, options, exposures_, result, clipped);
    for (int y = 0; y < result.variance.height(); ++y) {
      for (float& variance : result.variance.row(y)) variance = std::sqrt(variance);
    }
  }

  std::span<const CombineSub> subs_;
  const CombineSettings& settings_;
  Threads threads_;
  int rows_;
  int columns_;
  StripBuffers buffers_;
  std::vector<double> gains_;
  std::vector<float> exposures_;
  std::optional<NoiseResponse> responses_[5];
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
