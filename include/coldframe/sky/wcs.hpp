/// \file
/// Sky coordinates from a FITS header (Greisen & Calabretta 2002, A&A 395, 1061;
/// Calabretta & Greisen 2002, A&A 395, 1077; SIP: Shupe et al. 2005, ASP 347, 491).
#pragma once

#include <memory>
#include <optional>

#include "coldframe/core/header.hpp"
#include "coldframe/core/sky_projection.hpp"

namespace coldframe::sky {

/// The celestial solution of a header: any projection WCSLIB knows, TAN-SIP
/// included; CD, PC + CDELT or CDELT + CROTA2. Unset when the header holds none that can be
/// used: no or broken axes, not RA and Dec, celestial axes that are not the first two, or
/// an equinox other than 2000. The result may be used from several threads at once.
[[nodiscard]] std::unique_ptr<SkyProjection> projection_from_header(const Header& header);

/// Scale at a pixel: square root of the area it covers. Unset outside the projection.
[[nodiscard]] std::optional<double> arcsec_per_px(const SkyProjection& projection, Point pixel);

}  // namespace coldframe::sky
