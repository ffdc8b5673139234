#include "tile_combiner.hpp"

#include <algorithm>
#include <bit>
#include <cmath>

#include "winsorised_screen.hpp"

namespace coldframe::stack::detail {
namespace {

int block_of(int position) noexcept {
  // Rounds towards minus infinity, so that blocks do not change size at 0.
  return position >= 0 ? position / block_px : -((-position + block_px - 1) / block_px);
}

bool has_mask(const TileSamples& samples, std::size_t sub) noexcept {
  return sub < samples.masks.size() && !samples.masks[sub].empty();
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

void TileCombiner::fill_empty_lanes(const Place& place) {
  flags_.fill(0);
  usable_ = count_lanes(segment_);
  for (std::size_t l = 0; l < place.count; ++l) {
    if (usable_[l] == 0) fill_lane(place, l);
  }
}

/// Nothing clean: a repaired defect is better than a hole, so is a sample that a trail may have
/// crossed (the rule still judges it), and a saturated core is better than NaN.
void TileCombiner::fill_lane(const Place& place, std::size_t lane) {
  const int x = place.x + static_cast<int>(lane);
  std::uint8_t seen = 0;
  std::uint8_t choice = 0;
  const auto mask_at = [&](std::size_t sub) {
    return has_mask(samples_, sub) ? samples_.masks[sub](x, place.y) : std::uint8_t{0};
  };
  for (const BlockSub& s : subs_) {
    const std::uint8_t bits = mask_at(s.sub) & mask_bit::unusable;
    if (!std::isfinite(samples_.values[s.sub](x, place.y))) {
      seen |= static_cast<std::uint8_t>(bits | mask_bit::not_finite);
      continue;
    }
    seen |= bits;
    const bool repaired = bits == mask_bit::defect;
    const bool full = (bits & ~(mask_bit::saturated | mask_bit::defect)) == 0 &&
                      (bits & mask_bit::saturated) != 0;
    const bool crossed =
        (bits & ~(mask_bit::trail | mask_bit::defect)) == 0 && (bits & mask_bit::trail) != 0;
    if (repaired) choice = mask_bit::defect;
    if (full && choice != mask_bit::defect) choice = mask_bit::saturated;
    if (crossed && choice == 0) choice = mask_bit::trail;
  }
  flags_[lane] = choice != 0 ? choice : (subs_.empty() ? mask_bit::outside : seen);
  if (choice == 0) return;
  float largest = -std::numeric_limits<float>::infinity();
  for (std::size_t i = 0; i < subs_.size(); ++i) {
    const std::size_t sub = subs_[i].sub;
    const std::uint8_t bits = mask_at(sub) & mask_bit::unusable;
    const bool taken = choice == mask_bit::defect ? bits == mask_bit::defect
                                                  : (bits & ~mask_bit::defect) == choice;
    const float v = samples_.values[sub](x, place.y);
    if (!taken || !std::isfinite(v)) continue;
    segment_.at(i, lane) = v;
    largest = std::max(largest, v);
    ++usable_[lane];
  }
  if (choice == mask_bit::saturated) keep_highest(lane, largest);
}

/// A saturated sample is a lower limit of the light. Those of long subs, far below the
/// limits that short ones set, say nothing and would make a hole in the core.
void TileCombiner::keep_highest(std::size_t lane, float largest) {
  const auto sky = static_cast<float>(options_.sky_level);
  for (std::size_t i = 0; i < subs_.size(); ++i) {
    float& v = segment_.at(i, lane);
    if (!(v - sky < 0.5F * (largest - sky))) continue;
    v = not_usable;
    --usable_[lane];
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
      reject_by_order(kappa_sigma_, limits);
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

void TileCombiner::reject_by_winsorising(LaneLimits& limits) {
  const WinsorisedLimits screen{static_cast<float>(options_.kappa_low),
                                static_cast<float>(options_.kappa_high), screen_.mean_constant,
                                screen_.mean_slope, screen_.mean_pedestal};
  const std::uint32_t suspects = screen_winsorised(segment_, screen);
  if (suspects != 0) reject_by_order(winsorised_, limits, suspects);
}

template <typename Rule>
void TileCombiner::reject_by_order(Rule& rule, LaneLimits& limits, std::uint32_t suspects) {
  std::copy(values_.begin(), values_.end(), sorted_.begin());
  sort_lanes(subs_.size(), sorted_);
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
