// Ready masters of other sessions.
#pragma once

#include <filesystem>

#include "coldframe/session/inventory.hpp"

namespace coldframe::session {

/// Adds the masters under `folder` to the inventory (`FrameEntry::library_master`); what cannot be
/// used is left out with its reason: no master, broken checksum, wrong unit, three planes.
/// Throws Error(input) when the folder does not exist.
void add_master_library(Inventory& inventory, const std::filesystem::path& folder,
                        const std::vector<SuppliedCard>& supplied, Threads threads,
                        const Watch& watch);

}  // namespace coldframe::session
