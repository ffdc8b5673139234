// Samples with mask bits, where they are better than nothing.
#include <algorithm>
#include <bit>
#include <cmath>

#include "tile_combiner.hpp"

namespace coldframe::stack::detail {
namespace {

bool any_saturated(const std::uint8_t* mask, std::size_t count) noexcept {
  unsigned seen = 0;
  for (std::size_t l = 0; l < count; ++l) seen |= mask[l];
  return (seen & mask_bit::saturated) != 0;
}

/// How badly a sample with mask bits is spoilt, worst first.
enum class Spoilt { wholly, crossed, saturated, repaired };

Spoilt how_spoilt(std::uint8_t bits) noexcept {
  constexpr std::uint8_t mended = mask_bit::defect | mask_bit::cosmic_ray;
  switch (bits & ~mended) {
    case 0:
      return Spoilt::repaired;
    case mask_bit::saturated:
      return Spoilt::saturated;
    case mask_bit::trail:
      return Spoilt::crossed;
    default:
      return Spoilt::wholly;
  }
}

}  // namespace

void TileCombiner::fill_empty_lanes(const Place& place) {
  flags_.fill(0);
  usable_ = count_lanes(segment_);
  for (std::size_t l = 0; l < place.count; ++l) {
    if (usable_[l] == 0) fill_lane(place, l);
  }
}

/// Nothing clean: a repaired pixel is better than a hole, so is a sample that a trail may have
/// crossed (the rule still judges it), and a saturated core is better than NaN.
void TileCombiner::fill_lane(const Place& place, std::size_t lane) {
  const int x = place.x + static_cast<int>(lane);
  const auto bits_of = [&](std::size_t sub) {
    const std::uint8_t bits =
        has_mask(samples_, sub) ? samples_.masks[sub](x, place.y) : std::uint8_t{0};
    const bool finite = std::isfinite(samples_.values[sub](x, place.y));
    return static_cast<std::uint8_t>((bits & mask_bit::unusable) |
                                     (finite ? 0 : mask_bit::not_finite));
  };
  std::uint8_t seen = 0;
  Spoilt best = Spoilt::wholly;
  for (const BlockSub& s : subs_) {
    const std::uint8_t bits = bits_of(s.sub);
    seen |= bits;
    best = std::max(best, how_spoilt(bits));
  }
  flags_[lane] = subs_.empty() ? mask_bit::outside : seen;
  if (best == Spoilt::wholly) return;
  std::uint8_t taken = 0;
  float largest = -std::numeric_limits<float>::infinity();
  for (std::size_t i = 0; i < subs_.size(); ++i) {
    const std::uint8_t bits = bits_of(subs_[i].sub);
    if (how_spoilt(bits) != best) continue;
    const float v = samples_.values[subs_[i].sub](x, place.y);
    segment_.at(i, lane) = v;
    largest = std::max(largest, v);
    taken |= bits;
    ++usable_[lane];
  }
  flags_[lane] = best == Spoilt::repaired    ? taken
                 : best == Spoilt::saturated ? mask_bit::saturated
                                             : mask_bit::trail;
  if (best == Spoilt::saturated) keep_highest(lane, largest);
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

void TileCombiner::raise_by_limits(const Place& place, LaneLimits& limits) {
  if (samples_.masks.empty()) return;
  std::uint32_t full = 0;  // lanes where a sub is saturated and nothing else is wrong with it
  for (const BlockSub& s : subs_) {
    if (!has_mask(samples_, s.sub)) continue;
    const std::uint8_t* mask = samples_.masks[s.sub].row(place.y).data() + place.x;
    if (!any_saturated(mask, place.count)) continue;
    for (std::size_t l = 0; l < place.count; ++l) {
      if ((mask[l] & mask_bit::unusable) == mask_bit::saturated) full |= std::uint32_t{1} << l;
    }
  }
  for (; full != 0; full &= full - 1) {
    const auto lane = static_cast<std::size_t>(std::countr_zero(full));
    if (flags_[lane] == 0) raise_lane(place, lane, limits);
  }
}

/// Where a star saturates the sharp subs only, the mean of the others would lack light. A saturated
/// sample is a lower limit: where it lies above the mean, it takes part, the highest first.
void TileCombiner::raise_lane(const Place& place, std::size_t lane, LaneLimits& limits) {
  const int x = place.x + static_cast<int>(lane);
  lower_limits_.clear();
  double weight = 0.0;
  double sum = 0.0;
  for (std::size_t i = 0; i < subs_.size(); ++i) {
    float& v = segment_.at(i, lane);
    if (v >= limits.low[lane] && v <= limits.high[lane]) {
      weight += static_cast<double>(subs_[i].model.weight);
      sum += static_cast<double>(subs_[i].model.weight) * static_cast<double>(v);
      continue;
    }
    v = not_usable;  // cut by the rule, or masked
    const std::uint8_t bits = has_mask(samples_, subs_[i].sub)
                                  ? samples_.masks[subs_[i].sub](x, place.y)
                                  : std::uint8_t{0};
    const float limit = samples_.values[subs_[i].sub](x, place.y);
    if ((bits & mask_bit::unusable) == mask_bit::saturated && std::isfinite(limit)) {
      lower_limits_.emplace_back(limit, i);
    }
  }
  limits.low[lane] = -std::numeric_limits<float>::infinity();
  limits.high[lane] = std::numeric_limits<float>::infinity();
  std::sort(lower_limits_.begin(), lower_limits_.end(), [](const auto& a, const auto& b) {
    return a.first != b.first ? a.first > b.first : a.second < b.second;
  });
  for (const auto& [limit, i] : lower_limits_) {
    if (!(static_cast<double>(limit) * weight > sum)) break;
    segment_.at(i, lane) = limit;
    weight += static_cast<double>(subs_[i].model.weight);
    sum += static_cast<double>(subs_[i].model.weight) * static_cast<double>(limit);
    flags_[lane] = mask_bit::saturated;
  }
}

}  // namespace coldframe::stack::detail
