/// \file
/// Means over strips along a line.
#pragma once

#include <optional>

#include "trail_judge.hpp"

namespace coldframe::pipeline::detail {

[[nodiscard]] double length_of(const stack::Trail& trail) noexcept;

/// Half the width of the strip that sees a line best: 1.19 times its full width at half maximum.
[[nodiscard]] int strip_half_width(const stack::Trail& trail) noexcept;

struct Strip {
  double mean = 0.0;
  double error = 0.0;  ///< of the mean, if the residual were white
};

/// The mean over a strip beside the line: `first` and `last` pixels beside its two ends, pixels
/// clipped at 3.5. Unset where too little of it can be seen.
[[nodiscard]] std::optional<Strip> measure_strip(const Grid<float>& values, const Mask& mask,
                                                 const stack::Trail& line, double first,
                                                 double last, int half_width);

/// An edge-on galaxy or a filament lies there: a wrong scale, other seeing or a small shift leave
/// a share of its light.
[[nodiscard]] bool is_share_of_model(const TrailResidual& residual, const stack::Trail& trail);

/// A ray of a bright star fades away from it.
[[nodiscard]] bool is_ray(const TrailResidual& residual, const stack::Trail& trail);

}  // namespace coldframe::pipeline::detail
