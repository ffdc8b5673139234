/// \file
/// The version, from the build system alone.
#pragma once

#include <string_view>

namespace coldframe {

[[nodiscard]] std::string_view version() noexcept;

}  // namespace coldframe
