/// \file
/// Charge that a saturated star spills along its column.
#pragma once

#include <cstdint>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// Marks mask_bit::saturated on the ends of bleeding columns: charge fills well after well, so the
/// last one is not full, yet not a measurement of light either (Janesick 2001, ch. 4). An end is a
/// pixel next to two or more saturated ones of its column that is brighter than `least` (units of
/// `values`) and twice as bright as its same-colour neighbours to both sides; the flank of a star
/// wider than two pixels is not. `least`: some noise above the sky, so that rows beyond the end
/// stay. Looks at two rows and two columns about a pixel.
void mark_bleed_ends(PlaneView<const float> values, CfaPattern cfa, float least,
                     PlaneView<std::uint8_t> mask);

}  // namespace coldframe::sensor
