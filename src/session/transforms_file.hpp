// Which row of a list of transforms belongs to which file.
#pragma once

#include <filesystem>
#include <span>
#include <vector>

#include "coldframe/session/tools.hpp"

namespace coldframe::session {

/// For every file the row of it, or null. Paths are compared from their ends, so that a folder may
/// have moved: a row and a file belong together when their names agree and each shares more of the
/// folders above with the other than with any other of that name. Two of one name that nothing
/// tells apart get none.
[[nodiscard]] std::vector<const RegisteredFile*> rows_of_files(
    const RegisterOutcome& transforms, std::span<const std::filesystem::path> files);

}  // namespace coldframe::session
