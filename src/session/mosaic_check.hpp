// Does the colour pattern of the headers agree with the pixels?
#pragma once

#include "coldframe/session/inventory.hpp"

namespace coldframe::session {

/// The two greens of a mosaic see the same light: where the header's pattern puts them on
/// the wrong diagonal (row order misread, an odd trim), the pattern is moved by one row for all
/// frames of that camera, and a warning says so.
void check_mosaics(Inventory& inventory);

}  // namespace coldframe::session
