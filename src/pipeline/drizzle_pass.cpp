#include "coldframe/pipeline/drizzle_pass.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include "drizzle_samples.hpp"

namespace coldframe::pipeline {
namespace {

constexpr int strip_rows = 64;
constexpr int tile_columns = 1024;
constexpr int evenness_block = 32;

// Rows of the output in the making.
struct StripPlanes {
  explicit StripPlanes(Size size)
      : mean(size), uncertainty(size), weight(size), low(size), high(size), flags(size) {}
  Grid<float> mean, uncertainty, weight;
  Grid<std::uint16_t> low, high;
  Mask flags;
};

// What the scatter of the weight within blocks tells of the coverage.
struct Coverage {
  double share_sum = 0.0;  // of variance over squared mean
  std::uint64_t blocks = 0;
  std::uint64_t empty = 0;
  std::uint64_t pixels = 0;

  void look(PlaneView<const float> weight) {
    for (int y = 0; y + evenness_block <= weight.height(); y += evenness_block) {
      for (int x = 0; x + evenness_block <= weight.width(); x += evenness_block) {
        block(weight.crop({x, y, x + evenness_block, y + evenness_block}));
      }
    }
  }

 private:
  void block(PlaneView<const float> weight) {
    double sum = 0.0, squares = 0.0;
    std::uint64_t none = 0;
    for (int y = 0; y < weight.height(); ++y) {
      for (const float w : weight.row(y)) {
        sum += static_cast<double>(w);
        squares += static_cast<double>(w) * static_cast<double>(w);
        if (w <= 0.0F) ++none;
      }
    }
    const auto n = static_cast<double>(evenness_block * evenness_block);
    if (2 * none > static_cast<std::uint64_t>(n)) return;  // beyond the subs' field
    const double mean = sum / n;
    share_sum += std::max(squares / n - mean * mean, 0.0) / (mean * mean);
    ++blocks;
    empty += none;
    pixels += static_cast<std::uint64_t>(n);
  }
};

class Drizzler {
 public:
  Drizzler(std::span<const CombineSub> subs, const DrizzleSettings& settings, Threads threads)
      : subs_(subs), settings_(settings), threads_(threads) {
    for (const auto& sub : subs) {
      exposure_ += sub.exposure_s;
      for (int p = 0; p < settings.planes; ++p) {
        weight_[static_cast<std::size_t>(p)] += sub.weights[static_cast<std::size_t>(p)];
      }
    }
    for (int p = 0; p < settings.planes; ++p) {
      strip_.emplace_back(Size{settings.canvas.width, strip_rows});
    }
  }

  DrizzleTotals run(const Watch& watch, const std::function<void(const ResultStrip&)>& write) {
    const Size canvas = settings_.canvas;
    const int strips = (canvas.height + strip_rows - 1) / strip_rows;
    const int tiles = (canvas.width + tile_columns - 1) / tile_columns;
    for (int s = 0; s < strips; ++s) {
      const int y0 = s * strip_rows;
      const int y1 = std::min(y0 + strip_rows, canvas.height);
      std::vector<std::array<std::uint64_t, 2>> counts(static_cast<std::size_t>(tiles));
      parallel_for(threads_, static_cast<std::size_t>(tiles), [&](std::size_t t) {
        watch.check();
        const int x0 = static_cast<int>(t) * tile_columns;
        counts[t] = make_tile({x0, y0, std::min(x0 + tile_columns, canvas.width), y1});
      });
      for (const auto& c : counts) {
        used_ += c[0];
        left_out_ += c[1];
      }
      hand_out(y0, y1 - y0, write);
      watch.report("drizzle", static_cast<std::size_t>(s) + 1, static_cast<std::size_t>(strips));
    }
    return totals();
  }

 private:
  [[nodiscard]] bool mosaic(const CombineSub& sub) const noexcept {
    return sub.calibration->cfa != CfaPattern::none;
  }

  std::array<std::uint64_t, 2> make_tile(const Rect& tile) {
    align::DrizzleTile drizzle(tile, settings_.planes, settings_.drizzle);
    const Rect place{tile.x0, 0, tile.x1, tile.height()};
    for (auto& plane : strip_) {
      for (int y = 0; y < tile.height(); ++y) {
        std::fill_n(plane.low.row(y).begin() + tile.x0, tile.width(), std::uint16_t{0});
        std::fill_n(plane.high.row(y).begin() + tile.x0, tile.width(), std::uint16_t{0});
      }
    }
    std::array<std::uint64_t, 2> counts{};
    for (const auto& sub : subs_) {
      const int passes = mosaic(sub) ? 1 : settings_.planes;
      for (int p = 0; p < passes; ++p) add(sub, p, tile, drizzle, counts);
    }
    for (int p = 0; p < settings_.planes; ++p) finish(drizzle, p, place);
    return counts;
  }

  void add(const CombineSub& sub, int plane, const Rect& tile, align::DrizzleTile& drizzle,
           std::array<std::uint64_t, 2>& counts) {
    const SubSamples samples = drizzle_samples(sub, settings_, tile, plane);
    if (samples.region.empty()) return;
    align::DrizzleSamples drops;
    drops.values = samples.values.cview();
    drops.mask = samples.mask.cview();
    drops.variance = samples.variance.cview();
    drops.region = samples.region;
    drops.sub_to_output = sub.transform.then(settings_.ordinary_to_output);
    drops.pattern = sub.calibration->cfa;
    drops.plane = plane;
    for (std::size_t p = 0; p < sub.weights.size() && p < 3; ++p) drops.weight[p] = sub.weights[p];
    drizzle.add(drops);
    count_outliers(samples, drops, tile);
    counts[0] += samples.used;
    counts[1] += samples.left_out;
  }

  void count_outliers(const SubSamples& samples, const align::DrizzleSamples& drops,
                      const Rect& tile) {
    if (samples.left_out == 0) return;
    const Rect& region = samples.region;
    for (int y = 0; y < region.height(); ++y) {
      for (int x = 0; x < region.width(); ++x) {
        const std::uint8_t verdict = samples.verdict(x, y);
        if (verdict == 0) continue;
        const Point q = drops.sub_to_output.apply({double(region.x0 + x), double(region.y0 + y)});
        const int i = static_cast<int>(std::lround(q.x));
        const int j = static_cast<int>(std::lround(q.y));
        if (!tile.contains(i, j)) continue;
        const int plane = drops.pattern == CfaPattern::none
                              ? drops.plane
                              : cfa_colour(drops.pattern, region.x0 + x, region.y0 + y);
        auto& strip = strip_[static_cast<std::size_t>(plane)];
        ++(verdict == 1 ? strip.low : strip.high)(i, j - tile.y0);
      }
    }
  }

  // Weight in seconds; no light: not a number.
  void finish(const align::DrizzleTile& drizzle, int plane, const Rect& place) {
    auto& strip = strip_[static_cast<std::size_t>(plane)];
    align::DrizzleTile::Result out;
    out.values = strip.mean.view().crop(place);
    out.variance = strip.uncertainty.view().crop(place);
    out.weight = strip.weight.view().crop(place);
    out.mask = strip.flags.view().crop(place);
    drizzle.finish(plane, out);
    const auto per_weight =
        static_cast<float>(exposure_ / weight_[static_cast<std::size_t>(plane)]);
    const float none = std::numeric_limits<float>::quiet_NaN();
    for (int y = 0; y < out.values.height(); ++y) {
      for (int x = 0; x < out.values.width(); ++x) {
        const bool filled = out.weight(x, y) > 0.0F;
        out.weight(x, y) *= per_weight;
        out.variance(x, y) = filled ? std::sqrt(out.variance(x, y)) : none;
        if (!filled) out.values(x, y) = none;
      }
    }
  }

  void hand_out(int y0, int rows, const std::function<void(const ResultStrip&)>& write) {
    for (int p = 0; p < settings_.planes; ++p) {
      const auto& strip = strip_[static_cast<std::size_t>(p)];
      const Rect part{0, 0, settings_.canvas.width, rows};
      coverage_[static_cast<std::size_t>(p)].look(strip.weight.cview().crop(part));
      write({p, y0, strip.mean.cview().crop(part), strip.uncertainty.cview().crop(part),
             strip.weight.cview().crop(part), strip.low.cview().crop(part),
             strip.high.cview().crop(part), strip.flags.cview().crop(part)});
    }
  }

  [[nodiscard]] DrizzleTotals totals() const {
    DrizzleTotals totals;
    for (std::size_t p = 0; p < coverage_.size(); ++p) {
      const auto& c = coverage_[p];
      if (c.pixels == 0) continue;
      totals.empty_share[p] = static_cast<double>(c.empty) / static_cast<double>(c.pixels);
      totals.unevenness[p] = std::sqrt(c.share_sum / static_cast<double>(c.blocks));
    }
    if (used_ > 0) {
      totals.left_out_share = static_cast<double>(left_out_) / static_cast<double>(used_);
    }
    return totals;
  }

  std::span<const CombineSub> subs_;
  const DrizzleSettings& settings_;
  Threads threads_;
  double exposure_ = 0.0;
  std::array<double, 3> weight_{};
  std::vector<StripPlanes> strip_;
  std::array<Coverage, 3> coverage_;
  std::uint64_t used_ = 0;
  std::uint64_t left_out_ = 0;
};

}  // namespace

DrizzleTotals drizzle_subs(std::span<const CombineSub> subs, const DrizzleSettings& settings,
                           Threads threads, const Watch& watch,
                           const std::function<void(const ResultStrip&)>& write) {
  Drizzler drizzler(subs, settings, threads);
  return drizzler.run(watch, write);
}

std::size_t drizzle_bytes(Size canvas, int planes, double output_scale, int threads) {
  constexpr std::size_t per_strip_pixel = 17;            // mean, uncertainty, weight, counts, flags
  constexpr std::size_t per_sample = 4 + 4 + 1 + 1 + 8;  // with reading and calibrating
  const auto p = static_cast<std::size_t>(planes);
  const std::size_t strip =
      per_strip_pixel * p * static_cast<std::size_t>(canvas.width) * strip_rows;
  const std::size_t cells =
      align::DrizzleTile::bytes_per_pixel() * p * std::size_t{tile_columns} * strip_rows;
  const double side = (tile_columns / output_scale + 16.0);
  const double high = (strip_rows / output_scale + 16.0);
  // Turned subs need up to the diagonal's square of samples.
  const auto samples =
      static_cast<std::size_t>(2.0 * side * std::max(high, side / 2.0)) * (per_sample + 4 * p);
  return strip + static_cast<std::size_t>(threads) * (cells + samples);
}

}  // namespace coldframe::pipeline
