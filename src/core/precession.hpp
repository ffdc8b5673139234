/// \file
/// Precession of mean positions, private to core.
#pragma once

#include "coldframe/core/sky_projection.hpp"

namespace coldframe::detail {

/// A mean position of some equinox (Julian year) referred to J2000: angles of
/// Lieske et al. 1977, A&A 58, 1 (the coefficients from memory, checked against astropy).
[[nodiscard]] SkyPoint precess_to_j2000(SkyPoint position, double equinox) noexcept;

}  // namespace coldframe::detail
