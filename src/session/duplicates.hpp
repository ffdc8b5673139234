// Copies of one frame under two names.
#pragma once

#include "coldframe/session/inventory.hpp"

namespace coldframe::session {

/// Leaves out frames that are pixel for pixel another one (of a shorter name) and were taken at the
/// same moment: counted twice, a sub would have the weight of two and its noise would be called
/// independent. Frames that tell no time are compared when their files are of one size.
void leave_out_copies(Inventory& inventory, Threads threads, const Watch& watch);

}  // namespace coldframe::session
