// A colour picture from the results of red, green and blue filters on one grid.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "coldframe/session/record.hpp"

namespace coldframe::session {

/// Writes `<object>_colour.fits` and its PNG when the record holds finished
/// results of the object in red, green and blue; appends its row. Returns the file's name.
std::optional<std::string> compose_colour(const std::string& object, SessionRecord& record,
                                          const std::filesystem::path& out);

}  // namespace coldframe::session
