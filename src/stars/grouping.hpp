/// \file
/// Which sources must be fitted together.
#pragma once

#include <vector>

#include "coldframe/core/geometry.hpp"

namespace coldframe::stars {

/// Splits `chosen` (indices into `places`) into chains of neighbours nearer than `length_px`
/// (friends of friends); a chain of more than `most` members is split again with shorter links.
/// Members ascend; groups are ordered by their first member.
[[nodiscard]] std::vector<std::vector<std::size_t>> group_neighbours(
    const std::vector<Point>& places, std::vector<std::size_t> chosen, Size frame, double length_px,
    std::size_t most);

}  // namespace coldframe::stars
