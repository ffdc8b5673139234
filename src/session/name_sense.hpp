/// \file
/// Names of objects and filters that mean the same although they are not spelled alike.
#pragma once

#include <string>
#include <string_view>

#include "coldframe/session/inventory.hpp"

namespace coldframe::session {

/// For comparing only: lower case, blanks and underscores as one blank, none at the ends nor
/// between letter and digit ("WREN_Galaxy " = "wren galaxy", "Field 12" = "Field12").
[[nodiscard]] std::string folded_name(std::string_view name);

/// The same for filters, the usual spellings of one pass-band brought together ("Lum" = "L").
[[nodiscard]] std::string filter_key(std::string_view filter);

/// Gives every object and filter of the inventory one spelling, that of most frames, and lights
/// without one the name that all others share. Warns of what it changed; where names differ in more
/// than spelling they stay.
void unify_names(Inventory& inventory);

}  // namespace coldframe::session
