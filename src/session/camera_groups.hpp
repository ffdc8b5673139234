// Frames of one camera sorted for photon transfer: groups of equal frames and their pairs.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "coldframe/sensor/code_levels.hpp"
#include "coldframe/sensor/pair_blocks.hpp"
#include "coldframe/session/inventory.hpp"

namespace coldframe::session {

/// Frames of one kind, exposure and temperature (flats: filter).
struct FrameGroup {
  FrameKind kind = FrameKind::bias;  ///< flat-darks count as darks
  std::vector<std::size_t> frames;   ///< indices into the inventory
  std::optional<double> exposure_s;
  std::optional<double> temperature_c;
  std::string filter;
};

struct PlannedPair {
  std::size_t a = 0;
  std::size_t b = 0;
  /// Three frames give three pairs that know no more than two independent ones.
  double weight = 1.0;
};

/// Frames that share camera, read-out mode, gain, offset, binning and size.
[[nodiscard]] std::vector<std::vector<std::size_t>> camera_sets(const Inventory& inventory);

[[nodiscard]] std::vector<FrameGroup> frame_groups(const Inventory& inventory,
                                                   const std::vector<std::size_t>& frames);

/// Pairs neighbours in level. `levels`: mean of each inventory frame; `zero`: level without light.
/// Frames without a partner within a factor of two are named in `alone`.
[[nodiscard]] std::vector<PlannedPair> plan_pairs(const FrameGroup& group,
                                                  const std::vector<double>& levels, double zero,
                                                  std::vector<std::size_t>& alone);

/// Codes of whole frames, and their means.
struct FrameCodes {
  sensor::CodeHistogram all;
  sensor::CodeHistogram dark;  ///< of bias frames and darks
  std::vector<double> means;   ///< by inventory index
  std::vector<std::size_t> readable;
  std::vector<LeftOut> left_out;  ///< frames whose pixels cannot be read
};
[[nodiscard]] FrameCodes read_codes(const Inventory& inventory,
                                    const std::vector<std::size_t>& frames, Threads threads,
                                    const Watch& watch);

/// Measures a pair from its files; weight applied. `part` empty: the whole frame.
[[nodiscard]] sensor::PairBlocks measure_planned(const Inventory& inventory,
                                                 const PlannedPair& pair, const Rect& part,
                                                 const sensor::PairOptions& options,
                                                 Threads threads, const Watch& watch);

/// Mean level of each entry of `blocks` over pairs of dark frames.
[[nodiscard]] std::vector<double> zero_levels(const std::vector<sensor::PairBlocks>& pairs);

}  // namespace coldframe::session
