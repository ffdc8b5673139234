#include "coldframe/core/version.hpp"

namespace coldframe {

std::string_view version() noexcept { return COLDFRAME_VERSION; }

}  // namespace coldframe
