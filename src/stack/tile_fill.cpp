// Pixels without a clean sample.
#include <algorithm>
#include <cmath>

#include "combine_kernel.hpp"
#include "tile_combiner.hpp"

namespace coldframe::stack::detail {

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

}  // namespace coldframe::stack::detail
