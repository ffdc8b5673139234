// Finding files in a list of transforms.
#pragma once

#include <string>

#include "coldframe/session/tools.hpp"

namespace coldframe::session {

/// By the path as given, else by its file name when only one has it; null when there is none.
[[nodiscard]] const RegisteredFile* find_file(const RegisterOutcome& transforms,
                                              const std::string& name);

}  // namespace coldframe::session
