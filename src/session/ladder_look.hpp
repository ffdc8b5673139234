// What the pixels of darks tell about scaling them.
#pragma once

#include <vector>

#include "coldframe/session/pairing.hpp"

namespace coldframe::session {

/// Darks of one read-out with what serves as their bias, and lights that lack a dark.
struct Ladder {
  std::size_t bias = 0;
  std::vector<std::size_t> darks;
  std::vector<std::size_t> lights;
};

/// Finds how the dark current doubles with temperature (from hot pixels, where darks of several
/// temperatures are there) and which darks hold a smooth signal that does not scale (from
/// other darks, else from the lights); enters both into `knowledge`.
void look_at_ladder(const Inventory& inventory, const Pairing& pairing, const Ladder& ladder,
                    const MatchTolerances& tolerances, Threads threads, const Watch& watch,
                    DarkKnowledge& knowledge);

}  // namespace coldframe::session
