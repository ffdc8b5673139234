#include "sky_facts.hpp"

#include <cmath>
#include <numbers>

#include "coldframe/sky/wcs.hpp"

namespace coldframe::session {

void read_solution(const Header& header, FrameInfo& info) {
  if (header.find("CTYPE1") == nullptr) return;
  const auto projection = sky::projection_from_header(header);
  if (!projection) return;
  const Point centre{(info.size.width - 1) / 2.0, (info.size.height - 1) / 2.0};
  info.wcs_arcsec_per_px = sky::arcsec_per_px(*projection, centre);
  const auto here = projection->to_sky(centre);
  if (!here || !info.wcs_arcsec_per_px || std::fabs(here->dec_deg) > 89.9) return;
  // Ten pixels along the parallel.
  const double step_deg = 10.0 * *info.wcs_arcsec_per_px / 3600.0;
  const double cos_dec = std::cos(here->dec_deg * std::numbers::pi / 180.0);
  const auto east = projection->to_pixel({here->ra_deg + step_deg / cos_dec, here->dec_deg});
  if (!east) return;
  const double angle =
      std::atan2(east->y - centre.y, east->x - centre.x) * 180.0 / std::numbers::pi;
  info.wcs_east_deg = angle < 0.0 ? angle + 360.0 : angle;
}

std::optional<sky::Circumstances> circumstances_of(const FrameInfo& info) {
  if (!info.start_s) return std::nullopt;
  std::optional<sky::Site> site;
  if (info.site_latitude_deg && info.site_longitude_deg) {
    site = sky::Site{*info.site_latitude_deg, *info.site_longitude_deg};
  }
  std::optional<SkyPoint> target;
  if (info.ra_deg && info.dec_deg) target = SkyPoint{*info.ra_deg, *info.dec_deg};
  return sky::circumstances(*info.start_s + 0.5 * info.exposure_s.value_or(0.0), site, target);
}

}  // namespace coldframe::session
