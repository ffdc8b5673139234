#include "tile_combiner.hpp"

#include <algorithm>
#include <bit>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "order_screen.hpp"
#include "winsorised_few.hpp"
#include "winsorised_screen.hpp"

namespace coldframe::stack::detail {
namespace {

int block_of(int position) noexcept {
  // Rounds towards minus infinity, so that blocks do not change size at 0.
  return position >= 0 ? position / block_px : -((-position + block_px - 1) / block_px);
}

}  // namespace

TileCombiner::TileCombiner(const TileSamples& samples, const CombineOptions& options,
                           std::span<const float> exposure, const TileResult& result)
    : samples_(samples),
      options_(options),
      exposure_(exposure),
      result_(result),
      total_low_(samples.values.size()),
      total_high_(samples.values.size()),
      noise_model_{options.kappa_low, options.kappa_high, options.seeing_share, options.sky_level,
                   options.max_iterations},
      kappa_sigma_{options.kappa_low, options.kappa_high, options.max_iterations},
      winsorised_(options.kappa_low, options.kappa_high, samples.values.size()),
      esd_(options.esd_alpha, options.esd_max_fraction, samples.values.size()) {
  screen_.kappa_low2 = static_cast<float>(options.kappa_low * options.kappa_low);
  screen_.kappa_high2 = static_cast<float>(options.kappa_high * options.kappa_high);
  screen_.seeing_share = static_cast<float>(options.seeing_share);
  screen_.sky_level = static_cast<float>(options.sky_level);
}

void TileCombiner::run() {
  const Rect& tile = samples_.tile;
  if (tile.empty()) return;
  for (int row = block_of(tile.y0); row <= block_of(tile.y1 - 1); ++row) {
    for (int column = block_of(tile.x0); column <= block_of(tile.x1 - 1); ++column) {
      enter_block(column - block_of(tile.x0), row - block_of(tile.y0));
      const int x0 = std::max(column * block_px, tile.x0);
      const int x1 = std::min((column + 1) * block_px, tile.x1);
      const int y0 = std::max(row * block_px, tile.y0);
      const int y1 = std::min((row + 1) * block_px, tile.y1);
      for (int y = y0; y < y1; ++y) {
        combine_segment({x0 - tile.x0, y - tile.y0, static_cast<std::size_t>(x1 - x0)});
      }
      for (std::size_t i = 0; i < subs_.size(); ++i) {
        total_low_[subs_[i].sub] += cuts_.sub_low[i];
        total_high_[subs_[i].sub] += cuts_.sub_high[i];
      }
    }
  }
}

void TileCombiner::report_cuts(std::span<std::uint64_t> clipped_per_sub) const noexcept {
  if (clipped_per_sub.empty()) return;
  for (std::size_t i = 0; i < total_low_.size(); ++i) {
    clipped_per_sub[2 * i] += total_low_[i];
    clipped_per_sub[2 * i + 1] += total_high_[i];
  }
}

void TileCombiner::enter_block(int column, int row) {
  const auto blocks = static_cast<std::size_t>(samples_.block_columns()) *
                      static_cast<std::size_t>(samples_.block_rows());
  const auto block =
      static_cast<std::size_t>(row) * static_cast<std::size_t>(samples_.block_columns()) +
      static_cast<std::size_t>(column);
  subs_.clear();
  double constant = 0.0;
  double slope = 0.0;
  double pedestal = 0.0;
  for (std::size_t i = 0; i < samples_.values.size(); ++i) {
    const BlockCoefficients model = samples_.coefficients.empty()
                                        ? BlockCoefficients{}
                                        : samples_.coefficients[i * blocks + block];
    if (!(model.weight > 0.0F) || !std::isfinite(model.weight)) continue;
    subs_.push_back({model, exposure_.empty() ? 1.0F : exposure_[i], i});
    constant += static_cast<double>(model.constant);
    slope += static_cast<double>(model.slope);
    pedestal += static_cast<double>(model.pedestal);
  }
  const double count = subs_.empty() ? 1.0 : static_cast<double>(subs_.size());
  screen_.mean_constant = static_cast<float>(constant / count);
  screen_.mean_slope = static_cast<float>(slope / count);
  screen_.mean_pedestal = static_cast<float>(pedestal / count);
  values_.assign(subs_.size() * lanes, not_usable);
  sorted_.resize(values_.size());
  segment_ = {subs_, values_};
  cuts_.sub_low.assign(subs_.size(), 0);
  cuts_.sub_high.assign(subs_.size(), 0);
}

void TileCombiner::combine_segment(const Place& place) {
  gather(place);
  fill_empty_lanes(place);
  cuts_.low.fill(0);
  cuts_.high.fill(0);
  LaneLimits limits;
  reject(limits);
  raise_by_limits(place, limits);
  write(place, limits);
  write_counts(place);
}

void TileCombiner::gather(const Place& place) {
  const auto x = static_cast<std::ptrdiff_t>(place.x);
  for (std::size_t i = 0; i < subs_.size(); ++i) {
    const std::size_t sub = subs_[i].sub;
    const float* values = samples_.values[sub].row(place.y).data() + x;
    const std::uint8_t* mask =
        has_mask(samples_, sub) ? samples_.masks[sub].row(place.y).data() + x : nullptr;
    gather_row(values, mask, place.count, &values_[i * lanes]);
    // Too many frames for the hardware to foresee: the next segment of each is asked for here.
    __builtin_prefetch(values + lanes);
    __builtin_prefetch(values + lanes + lanes / 2);
    if (mask != nullptr) __builtin_prefetch(mask + lanes);
  }
}

void TileCombiner::reject(LaneLimits& limits) {
  switch (options_.rule) {
    case Rejection::none:
      break;
    case Rejection::noise_model:
      reject_by_noise_model();
      break;
    case Rejection::kappa_sigma:
      reject_by_kappa_sigma(limits);
      break;
    case Rejection::winsorised:
      reject_by_winsorising(limits);
      break;
    case Rejection::esd:
      reject_by_order(esd_, limits);
      break;
  }
}

void TileCombiner::reject_by_noise_model() {
  std::uint32_t suspects = screen_noise_model(segment_, screen_);
  for (; suspects != 0; suspects &= suspects - 1) {
    const auto lane = static_cast<std::size_t>(std::countr_zero(suspects));
    pixel_.clear();
    for (std::size_t i = 0; i < subs_.size(); ++i) {
      const float v = segment_.at(i, lane);
      if (v == v) pixel_.add(v, subs_[i]);
    }
    noise_model_(pixel_);
    float least = std::numeric_limits<float>::infinity();
    for (std::size_t k = 0; k < pixel_.values.size(); ++k) {
      if (pixel_.kept[k] != 0) least = std::min(least, pixel_.values[k]);
    }
    for (std::size_t k = 0; k < pixel_.values.size(); ++k) {
      if (pixel_.kept[k] != 0) continue;
      const auto i = static_cast<std::size_t>(pixel_.subs[k] - subs_.data());
      segment_.at(i, lane) = not_usable;
      const bool low = pixel_.values[k] < least;
      (low ? cuts_.low : cuts_.high)[lane] += 1;
      (low ? cuts_.sub_low : cuts_.sub_high)[i] += 1;
    }
  }
}

/// Lanes of too few samples for the screen's shortcuts.
std::uint32_t TileCombiner::suspects_among_few() {
  std::copy(values_.begin(), values_.end(), sorted_.begin());
  sort_lanes(subs_.size(), sorted_);
  PerLane<float> medians;
  lane_medians(sorted_, subs_.size(), medians);
  distances_.resize(sorted_.size());
  for (std::size_t i = 0; i < subs_.size(); ++i) {
    for (std::size_t l = 0; l < lanes; ++l) {
      distances_[i * lanes + l] = std::abs(sorted_[i * lanes + l] - medians[l]);
    }
  }
  sort_lanes(subs_.size(), distances_);
  return suspects_of_few({sorted_, distances_, subs_.size(), static_cast<float>(options_.kappa_low),
                          static_cast<float>(options_.kappa_high)});
}

void TileCombiner::reject_by_winsorising(LaneLimits& limits) {
  const bool few = subs_.size() >= 3 && subs_.size() < static_cast<std::size_t>(screen_least);
  if (few) {
    const std::uint32_t suspects = suspects_among_few();
    if (suspects != 0) reject_by_order(winsorised_, limits, suspects);
    return;
  }
  const WinsorisedLimits screen{static_cast<float>(options_.kappa_low),
                                static_cast<float>(options_.kappa_high), screen_.mean_constant,
                                screen_.mean_slope, screen_.mean_pedestal};
  const std::uint32_t suspects = screen_winsorised(segment_, screen);
  if (suspects != 0) reject_by_order(winsorised_, limits, suspects);
}

/// Most lanes hold nothing that the rule would cut: that is proved for all at once.
void TileCombiner::reject_by_kappa_sigma(LaneLimits& limits) {
  std::copy(values_.begin(), values_.end(), sorted_.begin());
  sort_lanes(subs_.size(), sorted_);
  const std::size_t n = subs_.size();
  std::uint32_t full = 0;
  for (std::size_t l = 0; l < lanes; ++l) full |= usable_[l] == n ? 1U << l : 0U;
  std::uint32_t suspects = ~0U;
  if (n >= 3 && full != 0) {
    const double unit = mad_to_sigma * mad_bias_factor(n);
    const OrderScreen screen{static_cast<float>(options_.kappa_low * unit),
                             static_cast<float>(options_.kappa_high * unit)};
    suspects = screen_kappa_sigma(sorted_, n, screen) | ~full;
  }
  if (suspects != 0) judge_sorted(kappa_sigma_, limits, suspects);
}

template <typename Rule>
void TileCombiner::reject_by_order(Rule& rule, LaneLimits& limits, std::uint32_t suspects) {
  std::copy(values_.begin(), values_.end(), sorted_.begin());
  sort_lanes(subs_.size(), sorted_);
  judge_sorted(rule, limits, suspects);
}

template <typename Rule>
void TileCombiner::judge_sorted(Rule& rule, LaneLimits& limits, std::uint32_t suspects) {
  bool any = false;
  for (std::size_t l = 0; l < lanes; ++l) {
    if (usable_[l] == 0 || (suspects >> l & 1U) == 0) continue;
    const SortedSamples samples(&sorted_[l], usable_[l], lanes);
    const Kept kept = rule(samples);
    if (kept == Kept{0, usable_[l]}) continue;
    any = true;
    limits.low[l] = sorted_[kept.first * lanes + l];
    limits.high[l] = sorted_[(kept.last - 1) * lanes + l];
  }
  if (any) plain::count_cuts(segment_, limits, cuts_);
}

void TileCombiner::write(const Place& place, const LaneLimits& limits) {
  const LaneSums sums = sum_lanes(segment_, limits);
  PerLane<float> mean;
  for (std::size_t l = 0; l < lanes; ++l) {
    mean[l] =
        sums.count[l] > 0 ? static_cast<float>(sums.weighted[l] / sums.weight[l]) : not_usable;
  }
  const auto put = [&](PlaneView<float> plane, auto&& value) {
    if (plane.empty()) return;
    float* out = plane.row(place.y).data() + place.x;
    for (std::size_t l = 0; l < place.count; ++l) out[l] = static_cast<float>(value(l));
  };
  put(result_.mean, [&](std::size_t l) { return mean[l]; });
  put(result_.weight_sum, [&](std::size_t l) { return sums.exposure[l]; });
  const bool scatter = !result_.scatter_variance.empty();
  if (result_.variance.empty() && !scatter) return;
  const LaneSpread spread = spread_lanes(segment_, limits, mean, scatter);
  put(result_.variance, [&](std::size_t l) {
    return sums.count[l] > 0 ? spread.variance[l] / (sums.weight[l] * sums.weight[l])
                             : static_cast<double>(not_usable);
  });
  put(result_.scatter_variance, [&](std::size_t l) {
    const auto n = static_cast<double>(sums.count[l]);
    if (sums.count[l] < 2) return static_cast<double>(not_usable);
    const double squares = spread.second[l] - spread.first[l] * spread.first[l] / n;
    return squares / ((n - 1.0) * n);
  });
}

void TileCombiner::write_counts(const Place& place) const {
  const auto put = [&](PlaneView<std::uint16_t> plane, const PerLane<std::uint32_t>& counts) {
    if (plane.empty()) return;
    std::uint16_t* out = plane.row(place.y).data() + place.x;
    for (std::size_t l = 0; l < place.count; ++l) {
      out[l] = static_cast<std::uint16_t>(std::min<std::uint32_t>(counts[l], 65535U));
    }
  };
  put(result_.clipped_low, cuts_.low);
  put(result_.clipped_high, cuts_.high);
  if (result_.flags.empty()) return;
  std::uint8_t* out = result_.flags.row(place.y).data() + place.x;
  for (std::size_t l = 0; l < place.count; ++l) out[l] = flags_[l];
}

}  // namespace coldframe::stack::detail
