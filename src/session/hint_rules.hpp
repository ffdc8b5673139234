// The single hints; private. Each looks at the rows of one result (trends: of one of its nights).
#pragma once

#include <optional>

#include "hint_tools.hpp"

namespace coldframe::session::detail {

using Hint = std::optional<HintRecord>;

// What stars' shapes and the field tell.
[[nodiscard]] Hint hint_tracking(const Rows& rows);
[[nodiscard]] Hint hint_wind(const Rows& rows);
[[nodiscard]] Hint hint_jumps(const Rows& rows);
[[nodiscard]] Hint hint_defocus(const Rows& rows);
[[nodiscard]] Hint hint_tilt(const Rows& rows);
[[nodiscard]] Hint hint_curvature(const Rows& rows);
[[nodiscard]] Hint hint_astigmatism(const Rows& rows);

// What changes in the course of a night.
[[nodiscard]] Hint hint_dew(const Rows& rows);
[[nodiscard]] Hint hint_focus(const Rows& rows);
[[nodiscard]] Hint hint_cloud(const Rows& rows);
[[nodiscard]] Hint hint_gradient(const Rows& rows);
[[nodiscard]] Hint hint_brightening(const Rows& rows);

// What the pointing tells.
[[nodiscard]] Hint hint_dither(const Rows& rows);
[[nodiscard]] Hint hint_rotation(const Rows& rows);
[[nodiscard]] Hint hint_daylight(const Rows& rows);

}  // namespace coldframe::session::detail
