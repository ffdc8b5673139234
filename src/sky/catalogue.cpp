#include "coldframe/sky/catalogue.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/sky/sphere.hpp"

namespace coldframe::sky {

Cap surrounding_cap(std::span<const CatalogueStar> stars) {
  if (stars.empty()) return {{}, 180.0};
  constexpr double degree = std::numbers::pi / 180.0;
  double x = 0.0;
  double y = 0.0;
  double z = 0.0;
  for (const auto& star : stars) {
    const double ra = star.position.ra_deg * degree;
    const double dec = star.position.dec_deg * degree;
    x += std::cos(dec) * std::cos(ra);
    y += std::cos(dec) * std::sin(ra);
    z += std::sin(dec);
  }
  const double ra = std::atan2(y, x) / degree;
  Cap cap{{ra < 0.0 ? ra + 360.0 : ra, std::atan2(z, std::hypot(x, y)) / degree}, 0.0};
  for (const auto& star : stars) {
    cap.radius_deg = std::max(cap.radius_deg, separation_deg(cap.centre, star.position));
  }
  return cap;
}

std::vector<CatalogueStar> stars_near(std::span<const CatalogueStar> stars, SkyPoint centre,
                                      double radius_deg) {
  std::vector<CatalogueStar> near;
  for (const auto& star : stars) {
    // Cheap look first: most of a catalogue lies elsewhere.
    if (std::fabs(star.position.dec_deg - centre.dec_deg) > radius_deg) continue;
    if (separation_deg(star.position, centre) <= radius_deg) near.push_back(star);
  }
  std::stable_sort(near.begin(), near.end(), [](const CatalogueStar& a, const CatalogueStar& b) {
    if (std::isnan(a.magnitude) || std::isnan(b.magnitude)) {
      return !std::isnan(a.magnitude) && std::isnan(b.magnitude);
    }
    return a.magnitude < b.magnitude;
  });
  return near;
}

}  // namespace coldframe::sky
