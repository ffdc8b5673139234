// The first, rough solution: the catalogue laid out around the pointing and matched.
#pragma once

#include <optional>
#include <vector>

#include "coldframe/sky/solve.hpp"

namespace coldframe::sky {

/// Half the diagonal of the frame at the expected scale, degrees.
[[nodiscard]] double field_radius_deg(Size frame, double arcsec_per_px) noexcept;

/// Middles of the tiles that cover the search circle, the nearest to the pointing first. A frame
/// that points anywhere in the circle has its middle within half a field radius of one.
[[nodiscard]] std::vector<SkyPoint> search_tiles(const SolveOptions& options,
                                                 double field_radius_deg);

/// The match of one tile as a solution without distortion; unset when there is none that beats
/// chance over `tiles` tries.
[[nodiscard]] std::optional<TanSip> match_tile(std::span<const Star> stars, Size frame,
                                               std::span<const CatalogueStar> catalogue,
                                               SkyPoint tile, std::size_t tiles,
                                               const SolveOptions& options);

}  // namespace coldframe::sky
