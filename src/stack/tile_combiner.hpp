/// \file
/// Works through one tile, block by block and row by row.
#pragma once

#include <cstdint>
#include <span>
#include <utility>
#include <vector>

#include "combine_kernel.hpp"
#include "rule_esd.hpp"
#include "rule_kappa_sigma.hpp"
#include "rule_noise_model.hpp"
#include "rule_winsorised.hpp"

namespace coldframe::stack::detail {

[[nodiscard]] inline bool has_mask(const TileSamples& samples, std::size_t sub) noexcept {
  return sub < samples.masks.size() && !samples.masks[sub].empty();
}

class TileCombiner {
 public:
  TileCombiner(const TileSamples& samples, const CombineOptions& options,
               std::span<const float> exposure, const TileResult& result);
  void run();
  /// Adds the cuts of the whole tile, two entries per sub.
  void report_cuts(std::span<std::uint64_t> clipped_per_sub) const noexcept;

 private:
  /// Where the current segment lies, in tile coordinates.
  struct Place {
    int x = 0;
    int y = 0;
    std::size_t count = 0;
  };

  void enter_block(int column, int row);
  void combine_segment(const Place& place);
  void gather(const Place& place);
  void fill_empty_lanes(const Place& place);
  void fill_lane(const Place& place, std::size_t lane);
  void keep_highest(std::size_t lane, float largest);
  void reject(LaneLimits& limits);
  void reject_by_noise_model();
  void reject_by_winsorising(LaneLimits& limits);
  [[nodiscard]] std::uint32_t suspects_among_few();
  /// `suspects`: the lanes to judge, one bit each.
  template <typename Rule>
  void reject_by_order(Rule& rule, LaneLimits& limits, std::uint32_t suspects = ~0U);
  /// The same for samples sorted already.
  template <typename Rule>
  void judge_sorted(Rule& rule, LaneLimits& limits, std::uint32_t suspects);
  void reject_by_kappa_sigma(LaneLimits& limits);
  /// Saturated samples beside clean ones.
  void raise_by_limits(const Place& place, LaneLimits& limits);
  void raise_lane(const Place& place, std::size_t lane, LaneLimits& limits);
  void write(const Place& place, const LaneLimits& limits);
  void write_counts(const Place& place) const;

  const TileSamples& samples_;
  const CombineOptions& options_;
  std::span<const float> exposure_;
  const TileResult& result_;

  std::vector<BlockSub> subs_;  ///< of the current block
  ScreenModel screen_;
  std::vector<float> values_;
  std::vector<float> sorted_;
  std::vector<float> distances_;  ///< sorted, from the lane's median
  Segment segment_;
  PerLane<std::uint32_t> usable_{};  ///< samples per lane
  PerLane<std::uint8_t> flags_{};
  Cuts cuts_;
  std::vector<std::uint64_t> total_low_;
  std::vector<std::uint64_t> total_high_;
  PixelSamples pixel_;
  std::vector<std::pair<float, std::size_t>> lower_limits_;  ///< of one lane: value, index in subs_

  RuleNoiseModel noise_model_;
  RuleKappaSigma kappa_sigma_;
  RuleWinsorised winsorised_;
  RuleEsd esd_;
};

}  // namespace coldframe::stack::detail
