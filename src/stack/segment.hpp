/// \file
/// A segment: the samples of up to 32 neighbouring pixels of one row, which lie in
/// one coefficient block. Copied together so that every later step works on
/// contiguous memory: `values[sub * lanes + lane]`, NaN = not usable.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <span>
#include <vector>

#include "coldframe/stack/combine.hpp"

namespace coldframe::stack::detail {

inline constexpr std::size_t lanes = static_cast<std::size_t>(block_px);
inline constexpr float not_usable = std::numeric_limits<float>::quiet_NaN();

template <typename T>
using PerLane = std::array<T, lanes>;

/// One sub as the pixels of a block see it; subs without weight are left out of the list.
struct BlockSub {
  BlockCoefficients model;
  float exposure = 1.0F;
  std::size_t sub = 0;  ///< index in the tile

  /// Predicted variance at signal level `centre`.
  [[nodiscard]] double variance(double centre) const noexcept {
    const double light = centre - static_cast<double>(model.pedestal);
    return static_cast<double>(model.constant) +
           static_cast<double>(model.slope) * (light > 0.0 ? light : 0.0);
  }
};

/// The samples of one segment.
struct Segment {
  std::span<const BlockSub> subs;
  std::span<float> values;  ///< subs.size() * lanes

  [[nodiscard]] float& at(std::size_t i, std::size_t lane) const noexcept {
    return values[i * lanes + lane];
  }
};

/// Samples that a rule cut, per lane and per sub of the block.
struct Cuts {
  PerLane<std::uint32_t> low{};
  PerLane<std::uint32_t> high{};
  std::vector<std::uint64_t> sub_low;
  std::vector<std::uint64_t> sub_high;
};

/// Inclusive limits of the survivors of each lane.
struct LaneLimits {
  PerLane<float> low;
  PerLane<float> high;
  LaneLimits() noexcept {
    low.fill(-std::numeric_limits<float>::infinity());
    high.fill(std::numeric_limits<float>::infinity());
  }
};

/// Sums over the survivors of each lane, in the order of the subs.
struct LaneSums {
  PerLane<double> weight{};
  PerLane<double> weighted{};
  PerLane<double> exposure{};
  PerLane<std::uint32_t> count{};
};

/// Second pass, about the mean of the first.
struct LaneSpread {
  PerLane<double> variance{};  ///< sum of w^2 var(mean)
  PerLane<double> first{};     ///< sum of (value - mean)
  PerLane<double> second{};    ///< sum of (value - mean)^2
};

}  // namespace coldframe::stack::detail
