// JSON of fitted gradients, for the record and the command.
#pragma once

#include <nlohmann/json.hpp>
#include <vector>

#include "coldframe/session/background.hpp"

namespace coldframe::session {

[[nodiscard]] nlohmann::ordered_json planes_json(const std::vector<PlaneBackground>& planes);

}  // namespace coldframe::session
